"""Every write about absences, each with its ledger entry in the same transaction."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from django.db import transaction
from django.utils import timezone

from jobs.errors import BadInput, check_fields, refuse
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.planning.models import Absence, Place
from jobs.planning.rules import absences as rules
from jobs.planning.rules.absences import Subject


@transaction.atomic
def enter_absence(
    *,
    shop: Shop,
    who: Subject,
    starts_at: datetime,
    ends_at: datetime | None = None,
    reason: str = "",
    by: Person | System,
    at: datetime,
) -> Absence:
    """Enter that a person, place or instrument is not there; raises `BadInput` by field."""
    lock(shop, by)
    found = Absence(
        shop=shop,
        **of(who),
        starts_at=starts_at,
        ends_at=ends_at,
        reason=reason.strip(),
        entered_by=by if isinstance(by, Person) else None,
        entered_at=at,
    )
    standing = shop.absences.filter(**of(who), withdrawn_at__isnull=True)
    refuse(
        rules.why_not_enter(who, shop=shop, starts_at=starts_at, ends_at=ends_at, at=at, standing=standing), BadInput
    )
    check_fields(found)
    found.save()
    record("absence.entered", found, f"{said(found)}.", by=by, at=at)
    return found


@transaction.atomic
def withdraw_absence(absence: Absence, *, by: Person | System, at: datetime) -> Absence:
    """Withdraw an absence that was wrong or is over; raises `NotAllowed` when it is withdrawn already."""
    held = Absence.objects.select_for_update(of=("self",)).select_related("shop", "person", "place", "instrument")
    found = held.get(pk=absence.pk)
    policies.require(by, "enter-absence")
    policies.require_shop(by, found.shop)
    refuse(rules.why_not_withdraw(found))
    withdraw(found, by=by, at=at)
    record("absence.withdrawn", found, f"Withdrawn: {said(found)}.", by=by, at=at)
    return found


def withdraw(absence: Absence, *, by: Person | System, at: datetime) -> None:
    """Mark a locked absence withdrawn; the caller records it."""
    absence.withdrawn_at = at
    absence.withdrawn_by = by if isinstance(by, Person) else None
    absence.save(update_fields=["withdrawn_at", "withdrawn_by"])


def of(who: Subject) -> dict[str, Any]:
    """The column of an absence that names the subject."""
    return {"person" if isinstance(who, Person) else "place" if isinstance(who, Place) else "instrument": who}


def lock(shop: Shop, by: Person | System) -> None:
    """Lock the shop's row: the same absence entered twice at once is entered once."""
    Shop.objects.select_for_update().get(pk=shop.pk)
    policies.require(by, "enter-absence")
    policies.require_shop(by, shop)


def said(absence: Absence) -> str:
    """The absence in words, on the clock of the shop; the reason is left out, since the history forgets nothing."""
    zone = absence.shop.zone
    since = f"{timezone.localtime(absence.starts_at, zone):%Y-%m-%d %H:%M}"
    until = "until further notice"
    if absence.ends_at is not None:
        until = f"until {timezone.localtime(absence.ends_at, zone):%Y-%m-%d %H:%M}"
    where = "away" if absence.person_id else "not to be had"
    return f"{rules.name_of(absence.subject)} is {where} from {since} {until}"


def plain(absence: Absence) -> dict[str, Any]:
    """What a ledger entry keeps of an absence."""
    return {
        "absence": absence.pk,
        "starts_at": absence.starts_at.astimezone(UTC).isoformat(),
        "ends_at": absence.ends_at.astimezone(UTC).isoformat() if absence.ends_at else None,
        "source": absence.source,
    }


def record(kind: str, absence: Absence, sentence: str, *, by: Person | System, at: datetime) -> None:
    about = [absence.subject, *policies.acting(by)]
    ledger.append(kind, chain=absence.shop.code, by=by, at=at, sentence=sentence, about=about, data=plain(absence))
