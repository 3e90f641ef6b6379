"""Adding people, and granting and ending roles and qualifications."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

import pytest

from jobs.errors import BadInput, NotAllowed, WrongPerson
from jobs.ledger.actions import System
from jobs.ledger.models import Entry
from jobs.people import actions, queries
from jobs.people.models import Person, Role, RoleGrant, Shop, Skill
from tests.cast import SINCE

SET_UP = System("Midflank set-up")
DAY = date(2026, 3, 16)


def codes(refused: BadInput | NotAllowed) -> list[str]:
    return [reason.code for reason in refused.reasons]


def test_a_person_is_added_with_roles_and_can_sign_in(brackwater: Shop, admin: Person, at: datetime) -> None:
    person = actions.add_person(
        username="rigger",
        name="Rhea Rigg",
        shop=brackwater,
        password="ninety-turns-forward",
        roles=["technician", "inspector"],
        by=admin,
        at=at,
    )
    assert person.check_password("ninety-turns-forward")
    assert person.roles_on(DAY) == {"technician", "inspector"}
    kinds = list(Entry.objects.filter(chain_id="BY").order_by("number").values_list("kind", flat=True))
    assert kinds == ["person.added", "role.granted", "role.granted"]
    about = set(Entry.objects.get(number=1).subjects.values_list("type", "key"))
    assert about == {("people.person", str(person.pk)), ("people.person", str(admin.pk))}


def test_the_history_does_not_hold_the_password(brackwater: Shop, at: datetime) -> None:
    actions.add_person(
        username="x", name="X", shop=brackwater, password="ninety-turns-forward", roles=[], by=SET_UP, at=at
    )
    assert "ninety-turns-forward" not in Entry.objects.get().body


def test_a_taken_account_is_refused_at_its_field(brackwater: Shop, technician: Person, at: datetime) -> None:
    with pytest.raises(BadInput) as refused:
        actions.add_person(
            username="technician",
            name="N",
            shop=brackwater,
            password="ninety-turns",
            roles=[],
            by=SET_UP,
            at=at,
        )
    assert [reason.field for reason in refused.value.reasons] == ["username"]


def test_a_weak_password_is_refused_with_every_reason(brackwater: Shop, at: datetime) -> None:
    with pytest.raises(BadInput) as refused:
        actions.add_person(
            username="n", name="N", shop=brackwater, password="password", roles=[], by=SET_UP, at=at
        )
    assert {reason.field for reason in refused.value.reasons} == {"password"}
    assert len(refused.value.reasons) == 2
    assert not Person.objects.filter(username="n").exists()


def test_a_planner_keeps_no_people(brackwater: Shop, planner: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson, match="Only an administrator may keep people"):
        actions.add_person(
            username="n", name="N", shop=brackwater, password="ninety-turns", roles=[], by=planner, at=at
        )


def test_an_administrator_keeps_only_the_people_of_the_own_shop(
    stranger: Person, admin: Person, at: datetime
) -> None:
    with pytest.raises(WrongPerson, match="belongs to Port Ansel"):
        actions.grant_role(stranger, role="planner", valid_from=DAY, by=admin, at=at)


@pytest.mark.parametrize(
    ("valid_from", "valid_until", "taken"),
    [
        (date(2026, 1, 1), None, True),
        (date(2026, 1, 1), date(2026, 2, 28), False),
        (date(2026, 1, 1), date(2026, 3, 1), True),
        (date(2026, 3, 31), None, True),
        (date(2026, 4, 1), None, False),
    ],
)
def test_the_same_role_is_held_once_on_any_day(
    technician: Person, at: datetime, valid_from: date, valid_until: date | None, taken: bool
) -> None:
    first = (date(2026, 3, 1), date(2026, 3, 31))
    actions.grant_role(
        technician, role="planner", valid_from=first[0], valid_until=first[1], by=SET_UP, at=at
    )
    if not taken:
        actions.grant_role(
            technician, role="planner", valid_from=valid_from, valid_until=valid_until, by=SET_UP, at=at
        )
        return
    with pytest.raises(NotAllowed) as refused:
        actions.grant_role(
            technician, role="planner", valid_from=valid_from, valid_until=valid_until, by=SET_UP, at=at
        )
    assert codes(refused.value) == ["already-held"]


def test_an_unknown_role_is_refused(technician: Person, at: datetime) -> None:
    with pytest.raises(BadInput) as refused:
        actions.grant_role(technician, role="driver", valid_from=DAY, by=SET_UP, at=at)
    assert codes(refused.value) == ["unknown-role"]


def test_an_ended_role_holds_through_its_last_day(technician: Person, admin: Person, at: datetime) -> None:
    grant = technician.grants.get()
    assert technician.roles_on(DAY) == {"technician"}  # fills the cache that ending has to empty
    actions.end_role(grant, on=DAY, by=admin, at=at)
    fresh = Person.objects.get(pk=technician.pk)
    assert fresh.roles_on(DAY) == {"technician"}
    assert fresh.roles_on(DAY + timedelta(days=1)) == frozenset()
    with pytest.raises(NotAllowed) as refused:
        actions.end_role(grant, on=DAY, by=admin, at=at)
    assert codes(refused.value) == ["already-ended"]


def test_the_last_administrator_of_a_shop_stays(
    admin: Person, at: datetime, hire: Callable[..., Person], brackwater: Shop, port_ansel: Shop
) -> None:
    hire(port_ansel, "admin-pa", "Pat Allan", roles=("administrator",))
    with pytest.raises(NotAllowed) as refused:
        actions.end_role(admin.grants.get(), on=DAY, by=admin, at=at)
    assert codes(refused.value) == ["last-administrator"]
    second = hire(brackwater, "admin2", "Amy Adair", roles=("administrator",))
    actions.end_role(admin.grants.get(), on=DAY, by=second, at=at)
    with pytest.raises(NotAllowed):
        actions.end_role(second.grants.get(), on=DAY + timedelta(days=3), by=second, at=at)


def test_a_qualification_is_granted_and_ended_with_its_evidence(
    planner: Person, skills: dict[str, Skill], admin: Person, at: datetime
) -> None:
    until = DAY + timedelta(days=365)
    held = actions.grant_qualification(
        planner,
        skill=skills["bar-engine"],
        valid_from=DAY,
        valid_until=until,
        evidence="course 14",
        by=admin,
        at=at,
    )
    assert queries.qualification_on(planner, "bar-engine", until) == held
    assert queries.qualification_on(planner, "bar-engine", until + timedelta(days=1)) is None
    actions.end_qualification(held, on=DAY + timedelta(days=9), reason="moved to stores", by=admin, at=at)
    assert queries.qualification_on(planner, "bar-engine", DAY + timedelta(days=10)) is None
    assert list(Entry.objects.order_by("number").values_list("kind", flat=True)) == [
        "qualification.granted",
        "qualification.ended",
    ]
    assert "moved to stores" in Entry.objects.get(number=2).sentence


def test_a_qualification_does_not_end_without_a_reason(technician: Person, at: datetime) -> None:
    held = technician.qualifications.first()
    assert held is not None
    with pytest.raises(BadInput) as refused:
        actions.end_qualification(held, on=DAY, reason="  ", by=SET_UP, at=at)
    assert codes(refused.value) == ["reason-missing"]


def test_dates_the_wrong_way_round_are_refused(
    planner: Person, skills: dict[str, Skill], at: datetime
) -> None:
    with pytest.raises(BadInput) as refused:
        actions.grant_qualification(
            planner,
            skill=skills["bar-engine"],
            valid_from=DAY,
            valid_until=DAY - timedelta(days=1),
            by=SET_UP,
            at=at,
        )
    assert codes(refused.value) == ["dates-reversed"]


def test_a_refused_grant_leaves_no_entry(technician: Person, at: datetime) -> None:
    with pytest.raises(NotAllowed):
        actions.grant_role(technician, role=Role.TECHNICIAN, valid_from=SINCE, by=SET_UP, at=at)
    assert not Entry.objects.exists()
    assert RoleGrant.objects.filter(person=technician).count() == 1
