"""Why an absence cannot be entered or withdrawn: pure functions, every reason."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from jobs.errors import Reason
from jobs.people.models import Person, Shop
from jobs.planning.models import Absence, Place
from jobs.tooling.models import Instrument

Subject = Person | Place | Instrument
# A slip of the year is far likelier than leave that begins or lasts longer than this.
FURTHEST = timedelta(days=5 * 366)


def name_of(subject: Subject) -> str:
    """Who or what is away, as people call it."""
    return subject.asset_number if isinstance(subject, Instrument) else subject.name


def why_not_enter(
    subject: Subject,
    *,
    shop: Shop,
    starts_at: datetime,
    ends_at: datetime | None,
    at: datetime,
    standing: Iterable[Absence] = (),
) -> list[Reason]:
    """`standing` are absences of the same person, place or instrument that are not withdrawn."""
    if subject.shop_id != shop.pk:
        return [Reason("other-shop", f"{name_of(subject)} belongs to another shop.", "who")]
    reasons = []
    if ends_at is not None and ends_at <= starts_at:
        reasons.append(Reason("ends-first", "It would end before it begins.", "ends_at"))
    for instant, field in ((starts_at, "starts_at"), (ends_at, "ends_at")):
        if instant is not None and abs(instant - at) > FURTHEST:
            sentence = f"The year {instant.year} is more than five years away; look at the date again."
            reasons.append(Reason("far-away", sentence, field))
    reasons += [
        Reason("already-absent", f"{name_of(subject)} is entered as away for the same time already.", "starts_at")
        for one in standing
        if one.starts_at == starts_at and one.ends_at == ends_at
    ]
    return reasons


def why_not_withdraw(absence: Absence) -> list[Reason]:
    if absence.withdrawn_at is not None:
        return [Reason("withdrawn-already", f"The absence of {name_of(absence.subject)} is withdrawn already.")]
    return []
