"""Every way in which a history can be altered is told, at its place."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from io import StringIO
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connections, transaction

from jobs.ledger import actions, chain, queries
from jobs.ledger.models import Chain, Entry, Subject
from jobs.ledger.triggers import APPEND_ONLY_TABLES
from jobs.people.models import Person
from tests.jobs.ledger.conftest import unguarded

Alter = Callable[[list[Entry]], object]


def row(entry: Entry) -> Any:
    return Entry.objects.filter(pk=entry.pk)


def rewritten(entry: Entry, **changed: Any) -> dict[str, str]:
    """Body and hash of an entry that says something else, as a careful hand would write them."""
    body = chain.canonical({**json.loads(entry.body), **changed})
    return {"body": body.decode(), "hash": chain.leaf_hash(body)}


def remove(entry: Entry) -> None:
    Subject.objects.filter(entry=entry)._raw_delete("default")
    row(entry)._raw_delete("default")


def swap(one: Entry, other: Entry) -> None:
    row(one).update(number=99)
    row(other).update(number=one.number)
    row(one).update(number=other.number)


def append_behind_the_head(entries: list[Entry]) -> None:
    body = chain.canonical({**json.loads(entries[-1].body), "number": 6, "previous": entries[-1].hash})
    row_ = Entry.objects.values().get(pk=entries[-1].pk)
    del row_["id"]
    Entry.objects.create(**{**row_, "number": 6, "body": body.decode(), "hash": chain.leaf_hash(body)})


ALTERATIONS: list[tuple[str, Alter, int]] = [
    ("a sentence, in the column", lambda e: row(e[2]).update(sentence="nothing happened"), 3),
    ("a kind, in the column", lambda e: row(e[2]).update(kind="role.ended"), 3),
    ("an instant, in the column", lambda e: row(e[2]).update(at=e[2].at + timedelta(microseconds=1)), 3),
    ("an actor's name, in the column", lambda e: row(e[2]).update(actor_name="Somebody Else"), 3),
    ("an actor, in the column", lambda e: row(e[2]).update(actor_id=None), 3),
    ("the body alone", lambda e: row(e[2]).update(body=rewritten(e[2], sentence="x")["body"]), 3),
    ("the hash alone", lambda e: row(e[2]).update(hash="0" * 64), 3),
    ("the body and its hash", lambda e: row(e[2]).update(**rewritten(e[2], data={"value": "7"})), 4),
    (
        "body, hash and column",
        lambda e: row(e[2]).update(sentence="x", **rewritten(e[2], sentence="x")),
        4,
    ),
    ("the spacing of the body", lambda e: row(e[2]).update(body=e[2].body.replace(":", ": ", 1)), 3),
    ("the body to nonsense", lambda e: row(e[2]).update(body="nonsense"), 3),
    ("the body to a list", lambda e: row(e[2]).update(body="[1]"), 3),
    ("the body of the last entry", lambda e: row(e[4]).update(**rewritten(e[4], data={})), 5),
    ("the number", lambda e: row(e[4]).update(number=7), 4),
    ("the order of two", lambda e: swap(e[1], e[2]), 2),
    ("the first entry away", lambda e: remove(e[0]), 2),
    ("an entry in the middle away", lambda e: remove(e[2]), 4),
    ("the last entry away", lambda e: remove(e[4]), 4),
    ("an entry more, without the head", append_behind_the_head, 6),
    ("the head's hash", lambda e: Chain.objects.update(last_hash="f" * 64), 5),
    ("the head's count up", lambda e: Chain.objects.update(size=6), 5),
    ("the head's count down", lambda e: Chain.objects.update(size=4, last_hash=e[3].hash), 5),
    ("a subject away", lambda e: Subject.objects.filter(entry=e[2])._raw_delete("default"), 3),
    ("a subject's key", lambda e: Subject.objects.filter(entry=e[2]).update(key="9999"), 3),
    ("a subject's type", lambda e: Subject.objects.filter(entry=e[2]).update(type="fleet.unit"), 3),
    (
        "a subject's time",
        lambda e: Subject.objects.filter(entry=e[2]).update(at=e[2].at + timedelta(days=1)),
        3,
    ),
    ("a subject more", lambda e: Subject.objects.create(entry=e[2], type="fleet.unit", key="1", at=e[2].at), 3),
    ("an entry to another shop", lambda e: row(e[4]).update(chain=Chain.objects.create(code="PA")), 4),
]


def test_a_history_left_alone_holds(entries: list[Entry]) -> None:
    found = queries.verify("BY")
    assert found.holds
    assert (found.size, found.last_hash) == (5, entries[-1].hash)


def test_a_shop_without_history_holds(brackwater: object) -> None:
    assert queries.verify("BY").holds


@pytest.mark.parametrize(("what", "alter", "number"), ALTERATIONS, ids=[what for what, _, _ in ALTERATIONS])
def test_it_tells(entries: list[Entry], what: str, alter: Alter, number: int) -> None:
    with unguarded():
        alter(entries)
    found = queries.verify("BY")
    assert not found.holds
    assert number in {broken.number for broken in found.broken}, found.broken


def test_a_history_rewritten_to_its_end_is_told_by_an_earlier_hash_only(entries: list[Entry]) -> None:
    """What this chain cannot tell by itself, said openly: the last hash has to be kept elsewhere as well."""
    noted = queries.verify("BY").last_hash
    previous = entries[1].hash
    with unguarded():
        for entry in entries[2:]:
            changed = rewritten(entry, previous=previous, data={"value": "forged"})
            row(entry).update(**changed)
            previous = changed["hash"]
        Chain.objects.update(last_hash=previous)
    found = queries.verify("BY")
    assert found.holds
    assert found.last_hash != noted


def test_dropped_guards_are_told_though_nothing_was_changed(entries: list[Entry]) -> None:
    with unguarded():
        found = queries.verify("BY")
    assert [broken.number for broken in found.broken] == [0] * len(APPEND_ONLY_TABLES)
    assert "ledger_entry is not guarded" in found.broken[0].message


def test_a_history_altered_everywhere_is_told_within_reason(
    entries: list[Entry], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(queries, "MOST_TOLD", 3)
    with unguarded():
        Entry.objects.update(sentence="x", hash="0" * 64)
    assert len(queries.verify("BY").broken) <= 3 + 1


def test_it_holds_while_others_append(floor: object, technician: Person, at: datetime) -> None:
    stop = threading.Event()
    written = []

    def write() -> None:
        try:
            while not stop.is_set():
                with transaction.atomic():
                    written.append(
                        actions.append(
                            "role.granted", chain="BY", by=technician, at=at, sentence="x", about=[technician]
                        ).number
                    )
        finally:
            connections.close_all()

    thread = threading.Thread(target=write)
    thread.start()
    try:
        looked = [queries.verify("BY") for _ in range(25)]
    finally:
        stop.set()
        thread.join()
    assert [found.broken for found in looked if not found.holds] == []
    assert looked[-1].size > looked[0].size
    assert queries.verify("BY").size == len(written)


@contextmanager
def headless(code: str) -> Iterator[None]:
    """The head of a chain deleted, as a database with its foreign keys off lets it be, and put back."""
    head = Chain.objects.get(code=code)
    Chain.objects.filter(code=code)._raw_delete("default")
    yield
    Chain.objects.create(code=head.code, size=head.size, last_hash=head.last_hash)


class TestTheCommand:
    def test_it_prints_size_and_last_hash_and_ends_well(self, entries: list[Entry]) -> None:
        out = StringIO()
        call_command("verify_ledger", stdout=out)
        assert out.getvalue() == f"BY: 5 entries, holds; last hash {entries[-1].hash}\n"

    def test_it_names_the_place_and_ends_with_status_1(self, entries: list[Entry]) -> None:
        with unguarded():
            row(entries[2]).update(sentence="nothing happened")
        out = StringIO()
        with pytest.raises(CommandError) as ended:
            call_command("verify_ledger", stdout=out)
        assert ended.value.returncode == 1
        assert "entry 3: what is shown of it differs from its bytes" in out.getvalue()

    def test_one_altered_shop_among_several_is_enough(
        self, entries: list[Entry], technician: Person, at: datetime
    ) -> None:
        with transaction.atomic():
            actions.append("role.ended", chain="PA", by=technician, at=at, sentence="x", about=[technician])
        with unguarded():
            row(entries[2]).update(sentence="nothing happened")
        out = StringIO()
        with pytest.raises(CommandError):
            call_command("verify_ledger", stdout=out)
        assert "PA: 1 entry, holds" in out.getvalue()
        call_command("verify_ledger", "--shop", "PA", stdout=out)

    def test_a_shop_that_is_not_there_ends_with_status_2(self, entries: list[Entry]) -> None:
        with pytest.raises(CommandError, match="no ledger of shop XX") as ended:
            call_command("verify_ledger", "--shop", "XX")
        assert ended.value.returncode == 2

    def test_a_shop_whose_head_was_removed_is_not_passed_over(self, entries: list[Entry]) -> None:
        with unguarded(), headless("BY"):
            out = StringIO()
            with pytest.raises(CommandError) as ended:
                call_command("verify_ledger", stdout=out)
        assert ended.value.returncode == 1
        assert "entry 5 stands beyond the head" in out.getvalue()

    def test_no_ledger_at_all_is_no_ledger_that_holds(self, db: None) -> None:
        with pytest.raises(CommandError, match="no ledger here") as ended:
            call_command("verify_ledger")
        assert ended.value.returncode == 2
