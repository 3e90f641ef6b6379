"""Reads about instruments. A shop sees its own."""

from __future__ import annotations

from datetime import date

from django.db.models import Case, Exists, F, OuterRef, Q, QuerySet, When
from django.shortcuts import get_object_or_404

from jobs.people.models import Person
from jobs.tooling.models import Calibration, Instrument


def instruments_of(person: Person) -> QuerySet[Instrument]:
    """The instruments of one's own shop, the soonest due first, those never calibrated before them."""
    return (
        Instrument.objects.filter(shop=person.shop)
        .select_related("shop")
        .order_by(F("due_on").asc(nulls_first=True), "asset_number")
    )


def instrument_for(person: Person, pk: int) -> Instrument:
    """One instrument of one's own shop; raises Http404."""
    return get_object_or_404(instruments_of(person), pk=pk)


def calibration_for(person: Person, pk: int) -> Calibration:
    """One calibration of an instrument of one's own shop; raises Http404."""
    found = Calibration.objects.filter(instrument__shop=person.shop).select_related(
        "instrument__shop", "recorded_by"
    )
    return get_object_or_404(found, pk=pk)


def locked_instrument(pk: int) -> Instrument:
    """The instrument's row, locked until the transaction ends (after a work order, before the ledger)."""
    return Instrument.objects.select_for_update(of=("self",)).select_related("shop").get(pk=pk)


def newest_calibration(instrument: Instrument, day: date) -> Calibration | None:
    """The newest calibration performed on or before a day, whether it is in force or not, or None."""
    return instrument.calibrations.filter(performed_on__lte=day).order_by("-performed_on", "-pk").first()


def calibration_in_force(instrument: Instrument, day: date) -> Calibration | None:
    """The calibration on the strength of which the instrument may be used on a day, or None."""
    newest = newest_calibration(instrument, day)
    if newest is None or newest.as_left != Calibration.Verdict.CONFORMING or day > newest.valid_until:
        return None
    return newest


def of_kind(person: Person, kind: str, day: date) -> QuerySet[Instrument]:
    """Instruments of a kind in one's own shop by asset number, those with `is_usable` on a day before the others."""
    found = Instrument.objects.filter(shop=person.shop, kind=kind)
    marked = found.annotate(is_usable=Case(When(_is_usable(day), then=True), default=False))
    return marked.order_by("-is_usable", "asset_number")


def usable(person: Person, kind: str, day: date) -> QuerySet[Instrument]:
    """Instruments of a kind in one's own shop that may be used on a day, by asset number."""
    return Instrument.objects.filter(_is_usable(day), shop=person.shop, kind=kind).order_by("asset_number")


def _is_usable(day: date) -> Q:
    newest = Calibration.objects.filter(instrument=OuterRef("instrument"), performed_on__lte=day)
    in_force = Calibration.objects.filter(
        instrument=OuterRef("pk"),
        pk=newest.order_by("-performed_on", "-pk").values("pk")[:1],
        as_left=Calibration.Verdict.CONFORMING,
        valid_until__gte=day,
    )
    return Q(Exists(in_force), state=Instrument.State.IN_SERVICE)
