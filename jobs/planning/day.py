"""What each person does on a day: the operations of the plan in force, with where, with what, with whom, until when."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Prefetch

from jobs.orders.models import WorkOrder
from jobs.people.models import Person, Shop
from jobs.planning import facts, out
from jobs.planning.gathering import plan_in_force
from jobs.planning.models import Absence, Holiday, Plan, Rota
from jobs.planning.problem import person_id, place_id
from jobs.planning.shifts import Span


@dataclass(frozen=True)
class Task:
    """One operation as one person meets it; `notice` is what has come in its way since the plan was accepted."""

    row: out.Row
    others: tuple[str, ...]
    order_pk: int | None = None
    notice: str = ""
    goes_on: bool = False
    from_before: bool = False


@dataclass(frozen=True)
class DayOf:
    """A person's day: the shifts there are, and what is planned in them."""

    person: Person
    shifts: tuple[Span, ...]
    tasks: tuple[Task, ...]
    at_work: str = ""
    own: bool = False

    @property
    def key(self) -> str:
        return person_id(self.person.pk)


@dataclass(frozen=True)
class Day:
    on: date
    plan: Plan | None
    people: tuple[DayOf, ...]

    @property
    def before(self) -> date:
        return self.on - timedelta(days=1)

    @property
    def after(self) -> date:
        return self.on + timedelta(days=1)


def of_shop(asking: Person, on: date, *, who: int | None = None) -> Day:
    """The day of everybody who works or has something planned on it, one's own first; `who` gives one person's."""
    shop = asking.shop
    plan = plan_in_force(shop)
    begin, end = facts.midnight(on, shop.zone), facts.midnight(on + timedelta(days=1), shop.zone)
    every = out.rows(plan) if plan is not None else []
    rows = [row for row in every if _touches(row, begin, end)]
    orders = {one.number: one for one in WorkOrder.objects.filter(number__in={row.order for row in rows})}
    days = (on - timedelta(days=1), on)
    holidays = set(Holiday.objects.filter(shop=shop, day__range=days).values_list("day", flat=True))
    absences = list(facts.standing(facts.absences_of(asking), begin, end))
    away = _away(absences)
    found = []
    for person in _people(asking, who):
        gone = [one for one in absences if one.person_id == person.pk]
        spans = facts.person_spans(
            person.rotas.all(), begin=on - timedelta(days=1), end=on, holidays=holidays, shop=shop
        )
        shifts = tuple(span for span in facts.less_absences(spans, gone) if span[0] < end and span[1] > begin)
        tasks = tuple(
            Task(row, tuple(_others(row, person_id(person.pk), every)), _key(orders, row),
                 _notice(orders, row) or _missing(away, row), goes_on=row.end > end, from_before=row.start < begin)
            for row in rows
            if person_id(person.pk) in {used.id for used in row.used}
        )  # fmt: skip
        if tasks or shifts or who is not None:
            said = " and ".join(f"{_clock(start, on, shop)} to {_clock(stop, on, shop)}" for start, stop in shifts)
            found.append(DayOf(person, shifts, tasks, said, person.pk == asking.pk))
    found.sort(key=lambda one: (not one.own, not one.tasks, one.person.name))
    return Day(on, plan, tuple(found))


def _clock(at: datetime, on: date, shop: Shop) -> str:
    """The time of day, with the weekday when it is another day's."""
    local = at.astimezone(shop.zone)
    return f"{local:%H:%M}" if local.date() == on else f"{local:%a %H:%M}"


def _touches(row: out.Row, begin: datetime, end: datetime) -> bool:
    """A hold point is a moment: it belongs to the day on which it stands."""
    return row.start < end and (row.end > begin or begin <= row.start)


def _people(asking: Person, who: int | None) -> Iterable[Person]:
    rotas = Prefetch("rotas", Rota.objects.select_related("pattern").prefetch_related("pattern__spans"))
    people = Person.objects.filter(shop=asking.shop, is_active=True).prefetch_related(rotas).order_by("name")
    return people.filter(pk=who) if who is not None else people


def _key(orders: dict[str, WorkOrder], row: out.Row) -> int | None:
    order = orders.get(row.order)
    return order.pk if order is not None else None


def _others(row: out.Row, key: str, rows: Sequence[out.Row]) -> Iterable[str]:
    """Who works on the same order at the same time, who hands over to this operation, and who takes over from it."""
    own = [other for other in rows if other.order == row.order]
    place = own.index(row)
    beside = [other for other in own if other.start < row.end and other.end > row.start]
    seen: dict[str, None] = {}
    for other in (*own[max(place - 1, 0) : place], *beside, *own[place + 1 : place + 2]):
        seen |= {used.name: None for used in other.people if used.id != key}
    return seen


def _notice(orders: dict[str, WorkOrder], row: out.Row) -> str:
    """What has become of the order since the plan was accepted, where it stops the work."""
    order = orders.get(row.order)
    if order is None:
        return ""
    if order.state == WorkOrder.State.HELD:
        return f"The order is held: {order.held_reason}"
    if order.state in (WorkOrder.State.CLOSED, WorkOrder.State.CANCELLED):
        return f"The order is {order.get_state_display()}."
    return ""


def _away(absences: Iterable[Absence]) -> dict[str, list[Absence]]:
    """The absences of the day by the id that a booking names."""
    found: dict[str, list[Absence]] = {}
    for one in absences:
        if one.instrument is not None:
            key = one.instrument.asset_number
        else:
            key = person_id(one.person_id) if one.person_id is not None else place_id(one.place_id or 0)
        found.setdefault(key, []).append(one)
    return found


def _missing(away: dict[str, list[Absence]], row: out.Row) -> str:
    """Whom or what the plan in force books although it was entered as not there: it may not have been planned anew."""
    names = [
        used.name
        for used in row.used
        if any(
            one.starts_at < max(row.end, row.start + timedelta(minutes=1))
            and (one.ends_at is None or one.ends_at > row.start)
            for one in away.get(used.id, ())
        )
    ]
    if not names:
        return ""
    return f"{' and '.join(names)} {'is' if len(names) == 1 else 'are'} not there then. Ask the planner first."
