"""Why something about people cannot be done: pure functions that return every reason."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from jobs.errors import Reason
from jobs.people.models import DatedGrant, Person, Role, RoleGrant


def why_not_password(person: Person, password: str) -> list[Reason]:
    """What the installation's password rules say against a password, each as a reason."""
    try:
        validate_password(password, person)
    except ValidationError as error:
        return [Reason("password-weak", sentence, "password") for sentence in error.messages]
    return []


def why_not_dates(valid_from: date, valid_until: date | None) -> list[Reason]:
    if valid_until is not None and valid_until < valid_from:
        sentence = f"It would end on {valid_until.isoformat()}, before it begins on {valid_from.isoformat()}."
        return [Reason("dates-reversed", sentence, "valid_until")]
    return []


def why_not_grant(
    held: Iterable[DatedGrant], *, what: str, valid_from: date, valid_until: date | None
) -> list[Reason]:
    """Grants of the same thing to the same person may follow one another, but not overlap."""
    return [
        Reason("already-held", f"{what} is already held {_period(grant)}.", "valid_from")
        for grant in held
        if (valid_until is None or grant.valid_from <= valid_until)
        and (grant.valid_until is None or valid_from <= grant.valid_until)
    ]


def why_not_end(grant: DatedGrant, on: date) -> list[Reason]:
    """A grant ends on a day it covers; one that has ended is not ended again."""
    if on < grant.valid_from:
        return [Reason("before-start", f"It only begins on {grant.valid_from.isoformat()}.", "on")]
    if grant.valid_until is not None and grant.valid_until <= on:
        return [Reason("already-ended", f"It already ends on {grant.valid_until.isoformat()}.", "on")]
    return []


def why_not_end_role(grant: RoleGrant, on: date, *, other_administrators: int) -> list[Reason]:
    """As `why_not_end`; and a shop keeps at least one administrator, or nobody could appoint the next."""
    reasons = why_not_end(grant, on)
    if grant.role == Role.ADMINISTRATOR and not other_administrators:
        who, shop = grant.person.name, grant.person.shop.name
        sentence = f"{who} is the only administrator of {shop}; appoint another first."
        reasons.append(Reason("last-administrator", sentence))
    return reasons


def _period(grant: DatedGrant) -> str:
    since = f"from {grant.valid_from.isoformat()}"
    return since if grant.valid_until is None else f"{since} until {grant.valid_until.isoformat()}"
