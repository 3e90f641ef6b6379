"""What the pages of the facts show: who and what is there in the coming days, and why not."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Prefetch
from django.shortcuts import get_object_or_404

from jobs.people.models import Person, Shop
from jobs.people.queries import people_of
from jobs.planning import drawn, facts
from jobs.planning.models import Absence, Rota
from jobs.planning.shifts import Span

DAYS_DRAWN = 7
WEEKS_AHEAD = 4


def of_shop(person: Person, *, now: datetime) -> dict[str, Any]:
    """Places, patterns, rotas, days without shifts and absences of a shop, with the coming week drawn to scale."""
    shop = person.shop
    today = now.astimezone(shop.zone).date()
    places = list(facts.places_of(person).prefetch_related("pattern__spans"))
    rotas = list(facts.rotas_of(person).prefetch_related("pattern__spans"))
    holidays = list(facts.holidays_of(person).filter(day__gte=today - timedelta(days=1)))
    horizon = now + timedelta(weeks=WEEKS_AHEAD)
    coming = list(facts.standing(facts.absences_of(person), now, horizon).order_by("starts_at", "pk"))
    off = {one.day for one in holidays}
    rows = [*_place_rows(places, today, off, coming, shop), *_person_rows(rotas, today, off, coming, shop)]
    patterns = list(facts.patterns_of(person))
    return {
        "today": today,
        "week": drawn.days(rows, first=today, count=DAYS_DRAWN, zone=shop.zone, now=now),
        "rows": rows,
        "places": places,
        "patterns": [(one, drawn.pattern(facts.shifts_of(one), one.weeks)) for one in patterns],
        "rotas": [one for one in rotas if one.valid_until is None or one.valid_until >= today],
        "without_rota": _without_rota(person, rotas, today),
        "holidays": [one for one in holidays if one.day >= today],
        "absences": coming,
        "horizon": horizon,
    }


def _place_rows(
    places: Iterable[Any], today: date, off: set[date], absences: Sequence[Absence], shop: Shop
) -> list[drawn.Given]:
    last = today + timedelta(days=DAYS_DRAWN)
    rows = []
    for place in places:
        # A shift of the evening before may reach into the first day.
        open_when = facts.place_spans(place, begin=today - timedelta(days=1), end=last, holidays=off, shop=shop)
        own = [one for one in absences if one.place_id == place.pk]
        rows.append(_row(place.name, open_when, own))
    return rows


def _person_rows(
    rotas: Sequence[Rota], today: date, off: set[date], absences: Sequence[Absence], shop: Shop
) -> list[drawn.Given]:
    last = today + timedelta(days=DAYS_DRAWN)
    people = {rota.person_id: rota.person for rota in rotas if rota.valid_until is None or rota.valid_until >= today}
    rows = []
    for pk, person in people.items():
        own = [rota for rota in rotas if rota.person_id == pk]
        works = facts.person_spans(own, begin=today - timedelta(days=1), end=last, holidays=off, shop=shop)
        gone = [one for one in absences if one.person_id == pk]
        rows.append(_row(person.name, works, gone))
    return rows


def _row(name: str, working: Sequence[Span], absences: Sequence[Absence]) -> drawn.Given:
    """Working time without the absences, and the working time that they take."""
    there = facts.less_absences(working, absences)
    away = facts.less_than(working, there)
    return drawn.Given(name, there, away)


def _without_rota(person: Person, rotas: Iterable[Rota], today: date) -> list[Person]:
    """Technicians and inspectors with whom no plan can count, since nobody said when they work."""
    having = {one.person_id for one in rotas if one.valid_until is None or one.valid_until >= today}
    active = people_of(person).filter(is_active=True).order_by("name")
    return [
        one for one in active if one.pk not in having and one.roles_on(today) & {"technician", "inspector"}
    ]


# --- One person's coming weeks ------------------------------------------------------------------------


@dataclass(frozen=True)
class WorkedShift:
    """One stretch of real working time on the shop's clock, and what an hour more or less comes from."""

    start: datetime
    end: datetime
    minutes: int
    clock_change: str = ""

    @property
    def said(self) -> str:
        return drawn.hours(self.minutes)


@dataclass(frozen=True)
class Week:
    monday: date
    shifts: tuple[WorkedShift, ...]
    notes: tuple[str, ...]

    @property
    def minutes(self) -> int:
        return sum(one.minutes for one in self.shifts)

    @property
    def long(self) -> str:
        return drawn.hours(self.minutes)


def of_person(asking: Person, pk: int, *, now: datetime) -> dict[str, Any]:
    """The coming four weeks of a person of one's own shop; raises Http404."""
    rotas = Prefetch("rotas", Rota.objects.select_related("pattern").prefetch_related("pattern__spans"))
    found = get_object_or_404(people_of(asking).select_related("shop").prefetch_related(rotas), pk=pk)
    shop = found.shop
    today = now.astimezone(shop.zone).date()
    monday = today - timedelta(days=today.weekday())
    last = monday + timedelta(days=7 * WEEKS_AHEAD - 1)
    since, until = facts.midnight(monday, shop.zone), facts.midnight(last + timedelta(days=2), shop.zone)
    holidays = {one.day: one.name for one in facts.holidays_of(asking).filter(day__range=(monday, last))}
    absences = list(facts.standing(facts.absences_of(asking).filter(person=found), since, until))
    own = list(found.rotas.all())
    working = facts.person_spans(own, begin=monday, end=last, holidays=holidays, shop=shop)
    left = facts.less_absences(working, absences)
    weeks = [_week(monday + timedelta(weeks=number), left, absences, holidays, shop) for number in range(WEEKS_AHEAD)]
    rows = [
        drawn.Given(
            f"{week.monday:%Y-%m-%d}, {week.long}",
            _shifted(left, week.monday, monday, shop.zone),
            _shifted(facts.less_than(working, left), week.monday, monday, shop.zone),
        )
        for week in weeks
    ]
    return {
        "one": found,
        "today": today,
        "rotas": [one for one in own if one.valid_until is None or one.valid_until >= monday],
        "weeks": weeks,
        "drawing": drawn.days(rows, first=monday, count=7, zone=shop.zone),
        "total": drawn.hours(sum(week.minutes for week in weeks)),
    }


def _shifted(spans: Sequence[Span], monday: date, to: date, zone: ZoneInfo) -> list[Span]:
    """Spans of one week laid under those of another by the clock, so that weeks can be drawn below each other."""
    days = monday - to
    begin, end = facts.midnight(monday, zone), facts.midnight(monday + timedelta(days=7), zone)
    moved = []
    for start, stop in spans:
        if begin <= start < end:
            first = (start.astimezone(zone) - days).astimezone(UTC)
            moved.append((first, first + (stop - start)))
    return moved


def _week(
    monday: date, left: Sequence[Span], absences: Sequence[Absence], holidays: dict[date, str], shop: Shop
) -> Week:
    begin = facts.midnight(monday, shop.zone)
    end = facts.midnight(monday + timedelta(days=7), shop.zone)
    own = tuple(_shift(span, shop.zone) for span in left if begin <= span[0] < end)
    notes = [f"{day:%a %Y-%m-%d} has no shifts: {name}" for day, name in sorted(holidays.items())
             if 0 <= (day - monday).days < 7]  # fmt: skip
    notes += [
        f"away {_until(one, shop.zone)}"
        for one in absences
        if one.starts_at < end and (one.ends_at is None or one.ends_at > begin)
    ]
    return Week(monday, own, tuple(notes))


def _shift(span: Span, zone: ZoneInfo) -> WorkedShift:
    """A stretch of work with its true length; where the clock changes in it, by how much the clock tells otherwise."""
    start, end = (at.astimezone(zone) for at in span)
    minutes = facts.minutes([span])
    by_the_clock = (end.replace(tzinfo=UTC) - start.replace(tzinfo=UTC)) // timedelta(minutes=1)
    change = ""
    if by_the_clock != minutes:
        sense = "forward" if by_the_clock > minutes else "back"
        change = f"the clock goes {sense}: {drawn.hours(minutes)}, not {drawn.hours(by_the_clock)} as the clock tells"
    return WorkedShift(start, end, minutes, change)


def _until(one: Absence, zone: ZoneInfo) -> str:
    since = one.starts_at.astimezone(zone)
    if one.ends_at is None:
        return f"from {since:%a %Y-%m-%d %H:%M} until further notice"
    until = one.ends_at.astimezone(zone)
    return f"from {since:%a %Y-%m-%d %H:%M} until {until:%a %Y-%m-%d %H:%M}"

