"""The board: what stands where, and what a move by hand would do, in words, before it is made.

Everything here is arithmetic on the planning problem and the bookings that stand; nothing is read or written. What a
move breaks is said as it is and hinders nobody: a planner may lay two operations over each other for a while. Only a
plan that the checker passes can be accepted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from jobs.errors import BadInput, refuse
from jobs.planning import clashes
from jobs.planning.problem import SECOND_PERSON
from jobs.planning.rules import board as rules
from jobs.planning.rules.plans import SLACK

Json = dict[str, Any]
Spans = list[tuple[datetime, datetime]]
FAR = datetime(9999, 1, 1, tzinfo=UTC)
LONG_AGO = datetime(1, 1, 1, tzinfo=UTC)
MOST_CLASHES = 8
TO_ACCEPT = timedelta(minutes=5)


@dataclass(frozen=True)
class Stands:
    """One operation on the board; `resources` in the order of its needs."""

    start: datetime
    end: datetime
    resources: tuple[str, ...]

    def to_json(self) -> Json:
        return {"start": _written(self.start), "end": _written(self.end), "resources": list(self.resources)}


@dataclass(frozen=True)
class Effect:
    """What a move does: the bookings as they would stand, what they clash with, and what becomes of the order."""

    bookings: dict[str, Stands]
    clashes: tuple[str, ...]
    notes: tuple[str, ...]
    late: bool = False

    def to_json(self) -> Json:
        return {
            "bookings": {key: one.to_json() for key, one in self.bookings.items()},
            "clashes": list(self.clashes),
            "notes": list(self.notes),
            "late": self.late,
        }


@dataclass
class Work:
    """An operation of the problem with its order and neighbours."""

    id: str
    order: str
    minutes: int
    needs: list[Json]
    state: str
    may_pause: bool
    before: str | None
    after: str | None = None
    pin: Json = field(default_factory=dict)
    left: int = 0  # minutes, of work in hand

    @property
    def hold(self) -> bool:
        """Whether it is a hold point: a second person looks."""
        return any((need.get("skill") or "").endswith(SECOND_PERSON) for need in self.needs)


class Board:
    """The bookings that stand on a problem, by operation, and by what each resource has to do."""

    def __init__(
        self, problem: Mapping[str, Any], bookings: Mapping[str, Json], names: Mapping[str, str], zone: ZoneInfo
    ) -> None:
        self.problem, self.names, self.zone = problem, names, zone
        self.now = datetime.fromisoformat(problem["now"])
        self.grid = timedelta(minutes=problem["grid_minutes"])
        self.resources: dict[str, Json] = {one["id"]: one for one in problem["resources"]}
        self.calendars: dict[str, Spans] = {
            key: [(datetime.fromisoformat(start), datetime.fromisoformat(end)) for start, end in spans]
            for key, spans in problem["calendars"].items()
        }
        self.orders: dict[str, Json] = {one["id"]: _dated(one) for one in problem["orders"]}
        self.work: dict[str, Work] = {}
        for order in problem["orders"]:
            self._add(order)
        self.stands = {
            key: Stands(
                datetime.fromisoformat(one["start"]), datetime.fromisoformat(one["end"]), tuple(one["resources"])
            )
            for key, one in bookings.items()
            if key in self.work and self.work[key].state != "done"
        }

    def _add(self, order: Json) -> None:
        before: str | None = None
        for one in order["operations"]:
            self.work[one["id"]] = Work(
                one["id"], order["id"], one["minutes"], one["needs"], one.get("state", "planned"),
                bool(one.get("may_pause")), before, pin=one.get("pin") or {},
                left=one.get("remaining_minutes", 0),
            )  # fmt: skip
            if before is not None:
                self.work[before].after = one["id"]
            before = one["id"]

    def called(self, key: str) -> str:
        return self.names.get(key, key)

    # --- Moving ---------------------------------------------------------------------------------------

    def move(
        self, key: str, *, start: datetime | None = None, swap: Mapping[str, str] | None = None,
        minutes: int | None = None, push: bool = True,
    ) -> Effect:  # fmt: skip
        """What it does to lay an operation to a start, with other resources (`swap`: old id → new id), or longer.

        With `push`, what follows in the order moves out of the way, as late as it must and into working time. A
        resource that the order keeps is changed for all of its operations that are still to be done. Raises KeyError
        for an operation that has no place on the board, BadInput for a start or a length that nobody can mean.
        """
        refuse(rules.why_not_start(start, now=self.now) if start is not None else (), BadInput)
        work = self.work[key]
        refuse(rules.why_not_minutes(minutes, moment=work.hold) if minutes is not None else (), BadInput)
        stands = self.stands[key]
        moved: dict[str, Stands] = {}
        resources = tuple((swap or {}).get(one, one) for one in stands.resources)
        begin = self.on_grid(start) if start is not None else stands.start
        moved[key] = Stands(begin, self.end(work, begin, resources, minutes), resources)
        moved |= self._kept(work, swap or {}, moved)
        if push:
            self._push(work, moved)
        standing = {**self.stands, **moved}
        judge = clashes.Judge(self, standing)
        found = [text for one in moved for text in judge.clashes(one)]
        notes, late = judge.outcome(work.order)
        return Effect(moved, tuple(dict.fromkeys(found))[:MOST_CLASHES], tuple(notes), late)

    def overdue(self) -> list[str]:
        """Planned operations whose start is over for longer than a plan may be late, by their start."""
        found = [key for key, one in self.stands.items()
                 if self.work[key].state == "planned" and one.start < self.now - SLACK]  # fmt: skip
        return sorted(found, key=lambda key: (self.stands[key].start, key))

    def soonest(self) -> datetime:
        """The first instant of the grid that leaves time to accept what is laid there."""
        at = self.on_grid(self.now)
        return at if at - self.now >= TO_ACCEPT else at + self.grid

    def on_grid(self, at: datetime) -> datetime:
        """The nearest instant of the grid, which counts from midnight UTC."""
        midnight = at.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        return midnight + round((at - midnight) / self.grid) * self.grid

    def end(self, work: Work, start: datetime, resources: Iterable[str], minutes: int | None = None) -> datetime:
        """When an operation begun then is over; one that may pause counts minutes in which everybody is there."""
        lasts = timedelta(minutes=work.minutes if minutes is None else minutes)
        if not work.may_pause or not lasts:
            return start + lasts
        left = lasts
        for begin, until in self._common(resources):
            begin = max(begin, start)
            if until <= begin:
                continue
            if until - begin >= left:
                return begin + left
            left -= until - begin
        return start + lasts

    def _common(self, resources: Iterable[str]) -> Spans:
        common: Spans | None = None
        for one in resources:
            calendar = self.resources.get(one, {}).get("calendar")
            if calendar is None:
                continue
            spans = self.calendars[calendar]
            common = spans if common is None else _meet(common, spans)
        return [(LONG_AGO, FAR)] if common is None else common

    def _kept(self, work: Work, swap: Mapping[str, str], moved: Mapping[str, Stands]) -> dict[str, Stands]:
        """The other operations of the order with what the order keeps swapped as well."""
        kept = {self._slot(work, old) for old in swap if self.keeps(work, old)} - {None}
        if not kept:
            return {}
        found: dict[str, Stands] = {}
        for other in self.of_order(work.order):
            stands = self.stands.get(other.id)
            if other.id in moved or stands is None or other.state != "planned":
                continue
            resources = tuple(swap[one] if one in swap and self.keeps(other, one) else one for one in stands.resources)
            if resources != stands.resources:
                found[other.id] = Stands(stands.start, stands.end, resources)
        return found

    def _slot(self, work: Work, resource: str) -> str | None:
        kind = self.resources.get(resource, {}).get("kind")
        return next((need["kind"] for need in work.needs if need["kind"] == kind), None)

    def keeps(self, work: Work, resource: str) -> bool:
        kind = self.resources.get(resource, {}).get("kind")
        return any(need["kind"] == kind and need.get("hold") == "order" for need in work.needs)

    def of_order(self, order: str) -> list[Work]:
        return [self.work[one["id"]] for one in self.orders[order]["operations"]]

    def _push(self, work: Work, moved: dict[str, Stands]) -> None:
        before, following = moved[work.id], work.after
        while following is not None:
            stands = moved.get(following) or self.stands.get(following)
            other = self.work[following]
            if stands is None or other.state != "planned" or stands.start >= before.end or other.pin.get("start"):
                return
            start = self.next_open(other, before.end, stands.resources)
            before = moved[following] = Stands(start, self.end(other, start, stands.resources), stands.resources)
            following = other.after

    def next_open(self, work: Work, at: datetime, resources: Iterable[str]) -> datetime:
        """The first start from `at` on, on the grid, at which everybody needed is there for as long as it takes."""
        at = self._up_to_grid(at)
        lasts = timedelta(minutes=work.minutes)
        for begin, until in self._common(resources):
            start = max(at, begin) if begin <= at else self._up_to_grid(begin)
            if until > start and (work.may_pause or until - start >= lasts):
                return start
        return at

    def _up_to_grid(self, at: datetime) -> datetime:
        nearest = self.on_grid(at)
        return nearest if nearest >= at else nearest + self.grid


def _meet(one: Spans, other: Spans) -> Spans:
    """The time that two calendars have in common; both are in order."""
    found: Spans = []
    first = second = 0
    while first < len(one) and second < len(other):
        begin = max(one[first][0], other[second][0])
        until = min(one[first][1], other[second][1])
        if begin < until:
            found.append((begin, until))
        if one[first][1] <= other[second][1]:
            first += 1
        else:
            second += 1
    return found


def _written(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _dated(order: Json) -> Json:
    """The order without a date that only the planner gave it."""
    return {key: value for key, value in order.items() if key != "due"} if order.get("undated") else order
