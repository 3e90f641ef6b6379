"""Every write about people, each with its ledger entry in the same transaction.

`by` is a person who may keep people of that shop, or `System` where no person acts, such as at set-up.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from django.contrib.auth.hashers import make_password
from django.db import transaction

from jobs.errors import BadInput, Reason, check_fields, refuse
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.people import policies, queries, rules
from jobs.people.models import Person, Qualification, Role, RoleGrant, Shop, Skill


@transaction.atomic
def add_person(
    *,
    username: str,
    name: str,
    shop: Shop,
    password: str,
    roles: Iterable[str],
    by: Person | System,
    at: datetime,
    hashed: str = "",
) -> Person:
    """Add someone who signs in, with the roles they hold from today on; raises `BadInput` by field.

    `hashed` is the password as it is kept, from whoever adds many with one password; else it is hashed here.
    """
    _allowed(by, shop)
    person = Person(
        username=Person.objects.model.normalize_username(username), name=name, shop=shop, joined_at=at
    )
    check_fields(person, leave_out=["password"])
    refuse(rules.why_not_password(person, password), BadInput)
    person.password = hashed or make_password(password)
    person.save()
    ledger.append(
        "person.added",
        chain=shop.code,
        by=by,
        at=at,
        sentence=f"{person.name} added with the account {person.username}.",
        about=[person, *policies.acting(by)],
        data={"username": person.username, "name": person.name},
    )
    for role in roles:
        grant_role(person, role=role, valid_from=_day(shop, at), by=by, at=at)
    return person


@transaction.atomic
def grant_role(
    person: Person,
    *,
    role: str,
    valid_from: date,
    valid_until: date | None = None,
    by: Person | System,
    at: datetime,
) -> RoleGrant:
    """Let a person act in a role from a day until a day, both inclusive."""
    held = _locked(person, by)
    if role not in Role.values:
        raise BadInput([Reason("unknown-role", f"There is no role {role!r}.", "role")])
    label = str(Role(role).label)
    refuse(rules.why_not_dates(valid_from, valid_until), BadInput)
    refuse(
        rules.why_not_grant(
            held.grants.filter(role=role),
            what=f"The role {label}",
            valid_from=valid_from,
            valid_until=valid_until,
        )
    )
    grant = RoleGrant.objects.create(person=held, role=role, valid_from=valid_from, valid_until=valid_until)
    _record(
        "role.granted", held, f"{held.name} is {label} {_period(valid_from, valid_until)}.", by=by, at=at,
        data={"role": role, "valid_from": valid_from, "valid_until": valid_until},
    )  # fmt: skip
    _forget_roles(person)
    return grant


@transaction.atomic
def end_role(grant: RoleGrant, *, on: date, by: Person | System, at: datetime) -> None:
    """Let a role end with a day; raises `NotAllowed` for the last administrator of a shop."""
    person = _locked(grant.person, by)
    fresh = RoleGrant.objects.select_related("person__shop").get(pk=grant.pk)
    others = queries.lasting_administrators(person.shop, after=on).exclude(pk=person.pk).count()
    refuse(rules.why_not_end_role(fresh, on, other_administrators=others))
    fresh.valid_until = grant.valid_until = on
    fresh.save(update_fields=["valid_until"])
    sentence = f"{person.name} is {fresh.get_role_display()} no longer after {on.isoformat()}."
    _record("role.ended", person, sentence, by=by, at=at, data={"role": fresh.role, "valid_until": on})
    _forget_roles(grant.person)


@transaction.atomic
def grant_qualification(
    person: Person,
    *,
    skill: Skill,
    valid_from: date,
    valid_until: date | None = None,
    evidence: str = "",
    by: Person | System,
    at: datetime,
) -> Qualification:
    """Enter a proven skill with its dates and what proves it."""
    held = _locked(person, by)
    refuse(rules.why_not_dates(valid_from, valid_until), BadInput)
    refuse(
        rules.why_not_grant(
            held.qualifications.filter(skill=skill),
            what=f"The qualification for {skill.title}",
            valid_from=valid_from,
            valid_until=valid_until,
        )
    )
    qualification = Qualification(
        person=held, skill=skill, valid_from=valid_from, valid_until=valid_until, evidence=evidence
    )
    check_fields(qualification)
    qualification.save()
    data = {"skill": skill.code, "valid_from": valid_from, "valid_until": valid_until, "evidence": evidence}
    sentence = f"{held.name} is qualified for {skill.title} {_period(valid_from, valid_until)}."
    _record("qualification.granted", held, sentence, by=by, at=at, data=data)
    return qualification


@transaction.atomic
def end_qualification(
    qualification: Qualification, *, on: date, reason: str, by: Person | System, at: datetime
) -> None:
    """Let a qualification end with a day, for a stated reason."""
    person = _locked(qualification.person, by)
    fresh = Qualification.objects.select_related("skill").get(pk=qualification.pk)
    if not reason.strip():
        raise BadInput([Reason("reason-missing", "Say why the qualification ends.", "reason")])
    refuse(rules.why_not_end(fresh, on))
    fresh.valid_until = qualification.valid_until = on
    fresh.save(update_fields=["valid_until"])
    data = {"skill": fresh.skill.code, "valid_until": on, "reason": reason.strip()}
    ended = f"qualified for {fresh.skill.title} no longer after {on.isoformat()}"
    sentence = f"{person.name} is {ended}: {reason.strip()}"
    _record("qualification.ended", person, sentence, by=by, at=at, data=data)


def _allowed(by: Person | System, shop: Shop) -> None:
    policies.require(by, "keep-people")
    policies.require_shop(by, shop)


def _locked(person: Person, by: Person | System) -> Person:
    """The person read afresh, with the shop's row locked.

    The lock is the shop's, not the person's: two administrators who end each other's role at once
    must not both succeed.
    """
    Shop.objects.select_for_update().get(people=person)
    held = Person.objects.select_related("shop").get(pk=person.pk)
    _allowed(by, held.shop)
    return held


def _record(
    kind: str, person: Person, sentence: str, *, by: Person | System, at: datetime, data: dict[str, object]
) -> None:
    plain = {key: value.isoformat() if isinstance(value, date) else value for key, value in data.items()}
    ledger.append(
        kind,
        chain=person.shop.code,
        by=by,
        at=at,
        sentence=sentence,
        about=[person, *policies.acting(by)],
        data=plain,
    )


def _day(shop: Shop, at: datetime) -> date:
    return at.astimezone(shop.zone).date()


def _period(valid_from: date, valid_until: date | None) -> str:
    since = f"from {valid_from.isoformat()}"
    return since if valid_until is None else f"{since} until {valid_until.isoformat()}"


def _forget_roles(person: Person) -> None:
    person.__dict__.pop("_roles_on", None)
