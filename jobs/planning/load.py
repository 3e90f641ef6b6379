"""The load of bays, people and instruments: hours booked by the plan in force of hours there, week by week.

A bay is there at night as well, and no shop is short of its nights: bays, cranes and instruments are counted in the
hours in which anybody works. A bay that is taken in all of those is full.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.db.models import Prefetch

from jobs.people.models import Person, Role
from jobs.planning import facts, out
from jobs.planning.gathering import plan_in_force
from jobs.planning.models import Absence, Holiday, Plan, Rota
from jobs.planning.problem import person_id, place_id
from jobs.planning.shifts import Span, merged, without
from jobs.tooling.models import Instrument

WEEKS = 8
MOST_WEEKS = 26
GROUPS = (("place", "Bays and cranes"), ("person", "People"), ("instrument", "Instruments"))


@dataclass(frozen=True)
class Share:
    """One resource in one week, in minutes: there, booked while it is there, and booked while it is not."""

    week: date
    there: int
    booked: int
    outside: int

    @property
    def hours_there(self) -> float:
        return self.there / 60

    @property
    def hours_booked(self) -> float:
        return self.booked / 60

    @property
    def hours_outside(self) -> float:
        return self.outside / 60

    @property
    def percent(self) -> float | None:
        """Booked of there; None when it is not there at all."""
        return 100 * self.booked / self.there if self.there else None


@dataclass(frozen=True)
class Loaded:
    """A resource and its weeks."""

    group: str
    id: str
    name: str
    shares: tuple[Share, ...]

    @property
    def used(self) -> bool:
        return any(one.booked or one.outside for one in self.shares)


@dataclass(frozen=True)
class Load:
    plan: Plan | None
    weeks: tuple[date, ...]
    loaded: tuple[Loaded, ...] = field(default=())

    def groups(self) -> list[tuple[str, list[Loaded]]]:
        found = [(title, [one for one in self.loaded if one.group == group]) for group, title in GROUPS]
        return [(title, some) for title, some in found if some]


@dataclass(frozen=True)
class _Subject:
    group: str
    id: str
    name: str
    there: Sequence[Span]
    counted: Sequence[Span]  # of the time there
    gone: Sequence[Span] = ()  # of the time in which somebody works: absent, or past its date


def of_shop(asking: Person, today: date, *, weeks: int = WEEKS) -> Load:
    """The load from the Monday of this week on; those with whom no plan counts are left out."""
    monday = today - timedelta(days=today.weekday())
    count = min(max(weeks, 1), MOST_WEEKS)
    mondays = tuple(monday + timedelta(weeks=number) for number in range(count))
    plan = plan_in_force(asking.shop)
    if plan is None:
        return Load(None, mondays)
    stays: dict[str, list[out.Stay]] = {}
    for stay in out.stays(out.rows(plan)):
        stays.setdefault(stay.used.id, []).append(stay)
    zone = asking.shop.zone
    edges = [facts.midnight(one, zone) for one in (*mondays, mondays[-1] + timedelta(weeks=1))]
    loaded = [
        Loaded(
            one.group, one.id, one.name,
            tuple(
                _share(week, one, stays.get(one.id, ()), begin, end)
                for week, begin, end in zip(mondays, edges, edges[1:], strict=False)
            ),
        )
        for one in _subjects(asking, mondays, (edges[0], edges[-1]))
    ]  # fmt: skip
    return Load(plan, mondays, tuple(loaded))


def _share(week: date, one: _Subject, stays: Iterable[out.Stay], begin: datetime, end: datetime) -> Share:
    counted = _cut(one.counted, begin, end)
    stays = list(stays)
    taken = merged(span for stay in stays for span in _cut([(stay.start, stay.end)], begin, end))
    outside = merged(
        span for stay in stays if not _waits(stay) for span in _cut([(stay.start, stay.end)], begin, end)
    )
    kept = merged(span for stay in stays if stay.kept for span in _cut([(stay.start, stay.end)], begin, end))
    missing = merged([*without(outside, _cut(one.there, begin, end)), *_within(kept, one.gone)])
    return Share(
        week,
        facts.minutes(counted),
        facts.minutes(taken) - facts.minutes(without(taken, counted)),
        facts.minutes(missing),
    )


def _waits(stay: out.Stay) -> bool:
    """Whether time in which the resource is not there is meant to lie in it: a pause, or a night at the engine."""
    return stay.kept or any(row.may_pause for row in stay.rows)


def _cut(spans: Iterable[Span], begin: datetime, end: datetime) -> list[Span]:
    return [(max(start, begin), min(stop, end)) for start, stop in spans if start < end and stop > begin]


def _subjects(asking: Person, mondays: Sequence[date], period: Span) -> Iterable[_Subject]:
    """Everything that is loaded, with the time it is there."""
    shop = asking.shop
    first, last = mondays[0], mondays[-1] + timedelta(days=6)
    begin = first - timedelta(days=1)  # a night shift of the Sunday before reaches into the first week
    off = set(Holiday.objects.filter(shop=shop, day__range=(begin, last)).values_list("day", flat=True))
    absences = list(facts.standing(facts.absences_of(asking), *period))
    rotas = Prefetch("rotas", Rota.objects.select_related("pattern").prefetch_related("pattern__spans"))
    planned_with = {"is_active": True, "rotas__isnull": False, "grants__role__in": [Role.TECHNICIAN, Role.INSPECTOR]}
    people = Person.objects.filter(shop=shop, **planned_with).distinct().order_by("name").prefetch_related(rotas)
    shifts = {
        person: _less(
            facts.person_spans(person.rotas.all(), begin=begin, end=last, holidays=off, shop=shop),
            absences, person_id=person.pk,
        )
        for person in people
    }  # fmt: skip
    working = merged(span for spans in shifts.values() for span in spans)
    for place in facts.places_of(asking).prefetch_related("pattern__spans"):
        spans = facts.place_spans(place, begin=begin, end=last, holidays=off, shop=shop)
        there = _less(spans, absences, place_id=place.pk)
        gone = _within(without(spans, there), working)
        yield _Subject("place", place_id(place.pk), place.name, there, _within(there, working), gone)
    for person, there in shifts.items():
        yield _Subject("person", person_id(person.pk), person.name, there, there)
    in_service = Instrument.objects.filter(shop=shop, state=Instrument.State.IN_SERVICE, due_on__isnull=False)
    for one in in_service.order_by("asset_number"):
        assert one.due_on is not None
        until = min(facts.midnight(one.due_on + timedelta(days=1), shop.zone), period[1])
        spans = [(period[0], until)] if until > period[0] else []
        there = _less(spans, absences, instrument_id=one.pk)
        gone = _within(without([period], there), working)
        yield _Subject("instrument", one.asset_number, one.asset_number, there, _within(there, working), gone)


def _within(spans: Iterable[Span], others: Sequence[Span]) -> list[Span]:
    return [span for begin, end in others for span in _cut(spans, begin, end)]


def _less(spans: Sequence[Span], absences: Iterable[Absence], **who: int) -> list[Span]:
    [(column, key)] = who.items()
    return facts.less_absences(spans, [one for one in absences if getattr(one, column) == key])


# --- Drawn --------------------------------------------------------------------------------------------

CELL, LABEL, ROW, HEAD = 84.0, 150.0, 30.0, 24.0


@dataclass(frozen=True)
class Box:
    """One week of one resource: the frame is the hours there, what is filled the hours booked."""

    x: float
    frame: float
    fill: float
    says: str


@dataclass(frozen=True)
class Drawn:
    """The load of a group to one scale: a full cell is the most hours that any of them is there in a week."""

    width: float
    height: float
    full_hours: float
    heads: tuple[tuple[float, str], ...]
    lines: tuple[tuple[float, str, tuple[Box, ...]], ...]


def drawn(loaded: Sequence[Loaded], weeks: Sequence[date]) -> Drawn:
    """Frames and fills of a group."""
    full = max((share.there for one in loaded for share in one.shares), default=0) or 1
    unit = (CELL - 10) / full
    lines = tuple(
        (
            HEAD + number * ROW,
            one.name,
            tuple(
                Box(
                    LABEL + column * CELL,
                    round(share.there * unit, 2),
                    round(share.booked * unit, 2),
                    f"{one.name}, week of {share.week:%Y-%m-%d}: {share.hours_booked:.1f} of {share.hours_there:.1f} h",
                )
                for column, share in enumerate(one.shares)
            ),
        )
        for number, one in enumerate(loaded)
    )
    heads = tuple((LABEL + column * CELL, f"{week:%m-%d}") for column, week in enumerate(weeks))
    return Drawn(LABEL + len(weeks) * CELL + 2, HEAD + len(loaded) * ROW + 2, full / 60, heads, lines)
