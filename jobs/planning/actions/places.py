"""Every write about bays and cranes, each with its ledger entry in the same transaction."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Max

from jobs.errors import BadInput, Reason, check_fields, refuse
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.planning.models import Place, ShiftPattern


@transaction.atomic
def add_place(
    *,
    shop: Shop,
    kind: str,
    name: str,
    pattern: ShiftPattern | None = None,
    usable_from: date | None = None,
    usable_until: date | None = None,
    by: Person | System,
    at: datetime,
) -> Place:
    """Add a bay or crane, below those there are; raises `BadInput` by field."""
    _allowed(by, shop)
    last = shop.places.filter(kind=kind).aggregate(last=Max("position"))["last"]
    place = Place(shop=shop, position=0 if last is None else last + 1)
    _lay(place, kind=kind, name=name, pattern=pattern, usable_from=usable_from, usable_until=usable_until)
    place.save()
    _record("place.added", place, f"{place.name} added.", by=by, at=at)
    return place


@transaction.atomic
def change_place(
    place: Place,
    *,
    kind: str,
    name: str,
    pattern: ShiftPattern | None = None,
    usable_from: date | None = None,
    usable_until: date | None = None,
    by: Person | System,
    at: datetime,
) -> Place:
    """State anew what holds for a bay or crane; raises `BadInput` by field."""
    held = Place.objects.select_for_update(of=("self",)).select_related("shop").get(pk=place.pk)
    _allowed(by, held.shop)
    before = held.name
    _lay(held, kind=kind, name=name, pattern=pattern, usable_from=usable_from, usable_until=usable_until)
    held.save(update_fields=["kind", "name", "pattern", "usable_from", "usable_until"])
    was = f" (until now {before})" if before != held.name else ""
    _record("place.changed", held, f"{held.name}{was} changed.", by=by, at=at)
    return held


def _lay(place: Place, *, kind: str, name: str, pattern: ShiftPattern | None, **days: date | None) -> None:
    place.kind, place.name, place.pattern = kind, name.strip(), pattern
    place.usable_from, place.usable_until = days["usable_from"], days["usable_until"]
    refuse(_why_not(place), BadInput)
    check_fields(place)


def _why_not(place: Place) -> list[Reason]:
    reasons = []
    if place.usable_from and place.usable_until and place.usable_until < place.usable_from:
        reasons.append(Reason("dates-reversed", "Its last day would lie before its first.", "usable_until"))
    if place.pattern is not None and place.pattern.shop_id != place.shop_id:
        reasons.append(Reason("other-shop", f"{place.pattern.name} is a pattern of another shop.", "pattern"))
    if place.shop.places.filter(name=place.name).exclude(pk=place.pk).exists():
        reasons.append(Reason("name-taken", f"There is a {place.name} already.", "name"))
    return reasons


def _allowed(by: Person | System, shop: Shop) -> None:
    policies.require(by, "keep-calendars")
    policies.require_shop(by, shop)


def _record(kind: str, place: Place, sentence: str, *, by: Person | System, at: datetime) -> None:
    data: dict[str, Any] = {
        "name": place.name,
        "kind": place.kind,
        "pattern": place.pattern.name if place.pattern else None,
        "usable_from": place.usable_from.isoformat() if place.usable_from else None,
        "usable_until": place.usable_until.isoformat() if place.usable_until else None,
    }
    about = [place, *policies.acting(by)]
    ledger.append(kind, chain=place.shop.code, by=by, at=at, sentence=sentence, about=about, data=data)
