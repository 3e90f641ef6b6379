"""Entries are appended, gapless, in the transaction of what they record, and never changed."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone

import pytest
from django.db import DatabaseError, connection, connections, transaction

from jobs.ledger import actions, chain, triggers
from jobs.ledger.actions import System
from jobs.ledger.kinds import UnknownKind
from jobs.ledger.models import Chain, Entry, Subject
from jobs.ledger.subjects import UnknownSubject
from jobs.orders.models import Analysis, WorkOrder
from jobs.people.models import Person, RoleGrant, Shop
from tests.cast import STEP
from tests.jobs.errands.test_races import at_once
from tests.jobs.ledger.conftest import unguarded
from tests.walking import Walk

Note = Callable[..., Entry]


def test_an_entry_is_canonical_json_that_names_the_one_before(note: Note, technician: Person) -> None:
    first, second = note("one"), note("two", torque_nm="90.5")
    document = json.loads(second.body)
    assert chain.canonical(document).decode() == second.body
    assert document == {
        "about": [["people.person", str(technician.pk)]],
        "actor": {"id": technician.pk, "name": technician.name},
        "at": "2026-03-16T08:20:00.000001Z",
        "chain": "BY",
        "data": {"torque_nm": "90.5"},
        "format": 1,
        "kind": "role.granted",
        "number": 2,
        "previous": first.hash,
        "sentence": "two",
    }
    assert second.hash == chain.leaf_hash(second.body.encode())


def test_the_hash_is_the_leaf_hash_of_rfc_6962() -> None:
    # The tests of RFC 6962 implementations agree on this one: the hash of an empty leaf.
    assert chain.leaf_hash(b"") == "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"


def test_an_instant_in_any_zone_is_kept_in_utc(technician: Person) -> None:
    local = datetime(2026, 3, 16, 10, 20, tzinfo=timezone(timedelta(hours=2)))
    with transaction.atomic():
        entry = actions.append("role.ended", chain="BY", by=System(), at=local, sentence="x", about=[technician])
    assert json.loads(entry.body)["at"] == "2026-03-16T08:20:00.000000Z"
    assert Entry.objects.get().at == datetime(2026, 3, 16, 8, 20, tzinfo=UTC)


def test_each_shop_counts_for_itself(note: Note, technician: Person, at: datetime) -> None:
    note(), note()
    with transaction.atomic():
        other = actions.append("role.ended", chain="PA", by=System(), at=at, sentence="x", about=[technician])
    assert other.number == 1
    assert json.loads(other.body)["previous"] == "0" * 64


def test_what_is_named_twice_is_a_subject_once(technician: Person, at: datetime) -> None:
    with transaction.atomic():
        entry = actions.append(
            "role.ended", chain="BY", by=System(), at=at, sentence="x", about=[technician, technician]
        )
    assert entry.subjects.count() == 1


def test_unknown_kinds_and_nouns_and_naive_instants_are_refused(technician: Person, at: datetime) -> None:
    good = {"chain": "BY", "by": System(), "at": at, "sentence": "x", "about": [technician]}
    with pytest.raises(UnknownKind):
        actions.append("moon.landed", **good)
    with pytest.raises(UnknownSubject, match="not registered"):
        actions.append("role.ended", **{**good, "about": [technician.shop]})
    with pytest.raises(UnknownSubject, match="not saved"):
        actions.append("role.ended", **{**good, "about": [Person(shop=technician.shop)]})
    with pytest.raises(ValueError, match="time zone"):
        actions.append("role.ended", **{**good, "at": datetime(2026, 3, 16)})  # noqa: DTZ001
    assert not Entry.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_outside_a_transaction_nothing_is_appended(technician: Person, at: datetime) -> None:
    with pytest.raises(RuntimeError, match="inside the transaction"):
        actions.append("role.ended", chain="BY", by=System(), at=at, sentence="x", about=[technician])


@pytest.mark.usefixtures("entries")
@pytest.mark.parametrize(
    "forbidden",
    [
        lambda: Entry.objects.update(sentence="another"),
        lambda: Entry.objects.all()._raw_delete("default"),
        lambda: Entry.objects.first().save(),  # type: ignore[union-attr]
        lambda: Subject.objects.update(key="7"),
        lambda: Subject.objects.all()._raw_delete("default"),
        lambda: connection.cursor().execute("UPDATE ledger_entry SET sentence = 'x' WHERE number = 1"),
        lambda: connection.cursor().execute("DELETE FROM ledger_subject"),
    ],
)
def test_neither_orm_nor_sql_changes_history(forbidden: Callable[[], object]) -> None:
    before = list(Entry.objects.values_list()), list(Subject.objects.values_list())
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        forbidden()
    assert (list(Entry.objects.values_list()), list(Subject.objects.values_list())) == before


@pytest.mark.usefixtures("entries")
def test_the_side_doors_of_each_database_are_shut() -> None:
    tables = ("ledger_entry", "ledger_subject")
    doors = {
        "sqlite": [f"REPLACE INTO {table} SELECT * FROM {table} WHERE id = (SELECT min(id) FROM {table})"
                   for table in tables],
        "postgresql": [f"TRUNCATE {table} CASCADE" for table in tables],
    }[connection.vendor]  # fmt: skip
    connection.check_constraints()  # PostgreSQL truncates nothing while checks of the rows are pending
    for statement in doors:
        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            connection.cursor().execute(statement)
    assert Entry.objects.count() == 5


def test_an_analysis_is_append_only_too(in_work: WorkOrder, walk: Walk) -> None:
    walk.give_result(in_work.steps.get(position=STEP["as-found"]))
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        Analysis.objects.update(verdict="conforming")
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        Analysis.objects.all()._raw_delete("default")


@pytest.mark.django_db
def test_the_guards_are_as_they_were_laid_down_and_missing_ones_are_named() -> None:
    assert triggers.missing(connection) == []
    with connection.cursor() as cursor:
        statement = triggers.drop_sql(connection.vendor, "ledger_entry")[0]
        cursor.execute(statement)
    (sentence,) = triggers.missing(connection)
    assert sentence.startswith("ledger_entry is not guarded")


@pytest.mark.django_db
def test_a_guard_that_was_made_harmless_is_told() -> None:
    table = "ledger_entry"
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(f"DROP TRIGGER {table}_no_update")
            cursor.execute(f"CREATE TRIGGER {table}_no_update BEFORE UPDATE ON {table} BEGIN SELECT 1; END")
            assert len(triggers.missing(connection)) == 1
        else:
            cursor.execute(
                "CREATE OR REPLACE FUNCTION midflank_append_only() RETURNS trigger LANGUAGE plpgsql AS "
                "$$ BEGIN RETURN NEW; END $$"
            )
            assert len(triggers.missing(connection)) == len(triggers.APPEND_ONLY_TABLES)


@pytest.mark.django_db
def test_a_disabled_guard_is_told() -> None:
    if connection.vendor == "sqlite":
        return  # SQLite cannot disable a trigger; dropping one is told above
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE ledger_entry DISABLE TRIGGER ledger_entry_append_only")
    assert "missing or disabled" in triggers.missing(connection)[0]


@pytest.mark.django_db
def test_hands_that_reach_past_the_guards_put_them_back() -> None:
    with unguarded():
        assert len(triggers.missing(connection)) == len(triggers.APPEND_ONLY_TABLES)
    assert triggers.missing(connection) == []


@pytest.mark.django_db(transaction=True)
def test_a_write_that_fails_takes_its_entry_with_it(note: Note, technician: Person) -> None:
    def half() -> None:
        with transaction.atomic():
            RoleGrant.objects.filter(person=technician).delete()
            note("gone with it")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        half()
    assert RoleGrant.objects.filter(person=technician).exists()
    assert not Entry.objects.exists()
    assert note("the next").number == 1


def test_numbers_stay_gapless_while_several_write_and_some_fail(
    floor: object, technician: Person, at: datetime
) -> None:
    def write(index: int) -> None:
        for number in range(20):
            try:
                with transaction.atomic():
                    actions.append(
                        "role.granted", chain="BY", by=technician, at=at,
                        sentence=f"{index}: {number}", about=[technician],
                    )  # fmt: skip
                    if number % 4 == index:
                        raise ZeroDivisionError
            except ZeroDivisionError:
                continue

    at_once(write)
    numbers = list(Entry.objects.order_by("number").values_list("number", flat=True))
    assert numbers == list(range(1, 4 * 15 + 1))
    assert Chain.objects.get(code="BY").size == 60


def test_two_first_entries_of_a_shop_at_once_are_entry_one_and_two(
    floor: object, technician: Person, at: datetime
) -> None:
    def write(index: int) -> int:
        with transaction.atomic():
            return actions.append(
                "role.granted", chain="BY", by=technician, at=at, sentence="x", about=[technician]
            ).number

    assert sorted(at_once(write)) == [1, 2, 3, 4]


def test_without_the_lock_on_the_head_two_writers_collide(
    floor: object, technician: Person, brackwater: Shop, at: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control of the two tests above. On SQLite the transaction itself is the lock, so nothing collides."""
    import threading

    both = threading.Barrier(2)

    def unlocked(code: str) -> Chain:
        head = Chain.objects.get(code=code)
        if connections["default"].vendor == "postgresql":
            both.wait(timeout=10)
        return head

    Chain.objects.create(code="BY", size=0, last_hash=chain.FIRST_PREVIOUS)
    monkeypatch.setattr(actions, "_locked_head", unlocked)

    def write(index: int) -> bool:
        try:
            with transaction.atomic():
                actions.append("role.granted", chain="BY", by=technician, at=at, sentence="x", about=[technician])
        except DatabaseError:
            return False
        return True

    expected = [False, True] if connection.vendor == "postgresql" else [True, True]
    assert sorted(at_once(write, 2)) == expected
