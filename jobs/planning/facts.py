"""Reads of what a plan stands on: places, shifts, rotas, days without shifts, absences. A shop sees its own."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Q, QuerySet
from django.shortcuts import get_object_or_404

from jobs.people.models import Person, Shop
from jobs.planning.gathering import worked
from jobs.planning.models import Absence, Holiday, Place, Rota, ShiftPattern
from jobs.planning.shifts import FIRST_MONDAY, Shift, Span, merged, spans, without


def places_of(person: Person) -> QuerySet[Place]:
    """The bays and cranes of one's own shop in the order of the board."""
    return Place.objects.filter(shop=person.shop).select_related("shop", "pattern")


def place_for(person: Person, pk: int) -> Place:
    """One of them; raises Http404."""
    return get_object_or_404(places_of(person), pk=pk)


def patterns_of(person: Person) -> QuerySet[ShiftPattern]:
    """The shift patterns of one's own shop, with their shifts."""
    return ShiftPattern.objects.filter(shop=person.shop).select_related("shop").prefetch_related("spans")


def pattern_for(person: Person, pk: int) -> ShiftPattern:
    """One of them; raises Http404."""
    return get_object_or_404(patterns_of(person), pk=pk)


def rotas_of(person: Person) -> QuerySet[Rota]:
    """Who of one's own shop works which pattern, by name and date."""
    found = Rota.objects.filter(person__shop=person.shop).select_related("person__shop", "pattern")
    return found.order_by("person__name", "valid_from")


def rota_for(person: Person, pk: int) -> Rota:
    """One of them; raises Http404."""
    return get_object_or_404(rotas_of(person), pk=pk)


def holidays_of(person: Person) -> QuerySet[Holiday]:
    """The days without shifts of one's own shop."""
    return Holiday.objects.filter(shop=person.shop).select_related("shop")


def holiday_for(person: Person, pk: int) -> Holiday:
    """One of them; raises Http404."""
    return get_object_or_404(holidays_of(person), pk=pk)


def absences_of(person: Person) -> QuerySet[Absence]:
    """The absences of one's own shop, those withdrawn among them, the newest start first."""
    return absences_of_shop(person.shop).order_by("-starts_at", "-pk")


def absences_of_shop(shop: Shop) -> QuerySet[Absence]:
    """All of a shop with what they name, in no order."""
    found = Absence.objects.filter(shop=shop)
    return found.select_related("shop", "person", "place", "instrument", "entered_by", "withdrawn_by")


def absence_for(person: Person, pk: int) -> Absence:
    """One of them; raises Http404."""
    return get_object_or_404(absences_of(person), pk=pk)


def standing(absences: QuerySet[Absence], since: datetime, until: datetime) -> QuerySet[Absence]:
    """Those not withdrawn that touch the time from `since` to `until`."""
    after = Q(ends_at__isnull=True) | Q(ends_at__gt=since)
    return absences.filter(after, withdrawn_at__isnull=True, starts_at__lt=until)


def beside(found: Absence) -> list[Absence]:
    """Other absences of the same subject that last at a time at which this one does, the first to begin first."""
    named = {"person": found.person_id, "place": found.place_id, "instrument": found.instrument_id}
    subject = next(Q(**{name: key}) for name, key in named.items() if key is not None)
    same = absences_of_shop(found.shop).filter(subject, withdrawn_at__isnull=True)
    after = Q(ends_at__isnull=True) | Q(ends_at__gt=found.starts_at)
    before = Q() if found.ends_at is None else Q(starts_at__lt=found.ends_at)
    return list(same.filter(after, before).exclude(pk=found.pk).order_by("starts_at", "pk"))


def shifts_of(pattern: ShiftPattern) -> list[Shift]:
    """The shifts of a pattern as values, from its first Monday on."""
    found = [Shift(one.week, one.weekday, one.starts, one.minutes) for one in pattern.spans.all()]
    return sorted(found, key=lambda one: (one.week, one.weekday, one.starts))


def person_spans(
    rotas: Iterable[Rota], *, begin: date, end: date, holidays: Collection[date], shop: Shop
) -> list[Span]:
    """The shifts of one person that begin from day `begin` to day `end`, absences not yet taken out."""
    found = [
        span
        for rota in rotas
        for span in spans(
            worked(rota.pattern, rota.first_week, rota.valid_from, rota.valid_until),
            begin=begin, end=end, without=holidays, zone=shop.zone,
        )
    ]  # fmt: skip
    return merged(found)


def place_spans(place: Place, *, begin: date, end: date, holidays: Collection[date], shop: Shop) -> list[Span]:
    """When a place is open from the start of day `begin` to the end of day `end`, absences not yet taken out."""
    first = max(begin, place.usable_from) if place.usable_from else begin
    last = min(end, place.usable_until) if place.usable_until else end
    if last < first:
        return []
    if place.pattern is None:
        return [(midnight(first, shop.zone), midnight(last + timedelta(days=1), shop.zone))]
    shifts = worked(place.pattern, 1, FIRST_MONDAY)
    return spans(shifts, begin=first, end=last, without=holidays, zone=shop.zone)


def less_absences(given: Sequence[Span], absences: Iterable[Absence]) -> list[Span]:
    """Working time with the absences taken out."""
    return without(given, [(one.starts_at, one.ends_at) for one in absences])


def less_than(given: Sequence[Span], left: Sequence[Span]) -> list[Span]:
    """What was taken out of `given` so that `left` is left."""
    return without(given, left)


def midnight(day: date, zone: ZoneInfo) -> datetime:
    """The start of a day on the shop's clock, as an instant in UTC."""
    return datetime.combine(day, time(0), zone).astimezone(UTC)


def minutes(given: Iterable[Span]) -> int:
    """Whole minutes in spans that do not overlap."""
    return int(sum((end - start).total_seconds() for start, end in given) // 60)
