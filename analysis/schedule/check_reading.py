"""The raw JSON of a planning problem and of a plan as plain records, for the checker alone.

Times are whole seconds since 1970 UTC, lengths whole seconds. Nothing here is shared with the planner: an error in its
reading must not be an error in the checker's.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

Json = Mapping[str, Any]
Piece = tuple[int, int]

EVER_S = 10**12
DEFAULT_GRID_MINUTES = 15


@dataclass(frozen=True, slots=True)
class Violation:
    """One rule that a plan breaks; `rule` is a fixed short name, ids are None where they do not apply."""

    rule: str
    order: str | None
    operation: str | None
    resource: str | None
    message: str


@dataclass(slots=True)
class Spans:
    """Working time of a calendar: sorted, apart from each other."""

    starts: list[int]
    ends: list[int]


@dataclass(slots=True)
class Resource:
    """One bay, person, instrument, crane; `hours` is None when it works always."""

    id: str
    kind: str
    hours: Spans | None
    skills: dict[str, Piece]
    usable_from: int
    usable_until: int
    capacity: float


@dataclass(slots=True)
class Need:
    """One need; needs of an order with the same `key` that are kept for the order are one."""

    kind: str | None
    any_of: frozenset[str] | None
    skill: str | None
    count: int
    amount: float
    for_order: bool
    key: tuple[object, ...]


@dataclass(slots=True)
class Operation:
    """One operation with its order's id."""

    id: str
    order: str
    seconds: int
    after: list[tuple[str, int]]
    needs: list[Need]
    may_pause: bool
    release_in_pause: bool
    state: str
    started_at: int | None
    remaining: int | None
    pin_start: int | None
    pin_resources: list[str]


@dataclass(slots=True)
class Order:
    """One order; `due` and `promise` may be missing."""

    id: str
    release: int
    due: int | None
    promise: int | None
    weight: float
    operations: list[Operation]


@dataclass(slots=True)
class Before:
    """The place of an operation in the plan in force."""

    start: int | None
    resources: list[str] | None
    raw: object


@dataclass(slots=True)
class Shop:
    """A problem as read."""

    now: int
    grid: int
    calendars: dict[str, Spans]
    resources: dict[str, Resource]
    orders: dict[str, Order]
    operations: dict[str, Operation]
    previous: dict[str, Before]
    weights: dict[str, float]
    skills: set[str] = field(default_factory=set)


def instant(text: object) -> int:
    """RFC 3339 with offset to whole seconds since 1970; raises ValueError."""
    if not isinstance(text, str):
        raise ValueError(f"{text!r} is not an instant")
    return _instant(text)


@lru_cache(maxsize=2**14)  # on a grid the same moments come again and again
def _instant(text: str) -> int:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} is an instant without offset")
    return round(moment.timestamp())


def shown(seconds: int) -> str:
    """A moment for a sentence, in UTC."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M UTC")


def flat(resources: object) -> list[str]:
    """Ids of a flat or nested list; raises ValueError."""
    if not isinstance(resources, list):
        raise ValueError(f"{resources!r} is not a list of resources")
    if set(map(type, resources)) == {str}:  # as it mostly is
        return list(resources)
    ids: list[str] = []
    for part in resources:
        ids.extend(part if isinstance(part, list) else (part,))
    if set(map(type, ids)) - {str}:
        raise ValueError(f"{resources!r} holds what is not an id")
    return ids


def by_need(needs: Sequence[Need], resources: list[Any]) -> list[list[str]] | None:
    """The ids for each need in its order, or None when the numbers do not fit. Flat or nested, as `flat` takes them."""
    counts = [need.count for need in needs]
    if list in map(type, resources):
        parts = [list(part) if isinstance(part, list) else [str(part)] for part in resources]
    else:
        parts, used = [], 0
        for count in counts:
            parts.append(resources[used:used + count])
            used += count
        if used != len(resources):
            return None
    return parts if list(map(len, parts)) == counts else None


def merged(spans: Sequence[Piece]) -> Spans:
    """Sorted spans in which touching and overlapping ones are one."""
    found = Spans([], [])
    for begin, end in sorted(spans):
        if begin >= end:
            continue
        if found.ends and begin <= found.ends[-1]:
            found.ends[-1] = max(found.ends[-1], end)
        else:
            found.starts.append(begin)
            found.ends.append(end)
    return found


def pieces(hours: Sequence[Spans], begin: int, end: int) -> list[Piece]:
    """The parts of [begin, end] in which every one of the calendars is open, in order, apart from each other."""
    found: list[Piece] = []
    at = begin
    while at < end:
        opens, closes = at, end
        for spans in hours:
            next_one = bisect_right(spans.ends, at)
            if next_one == len(spans.ends):
                return found
            opens = max(opens, spans.starts[next_one])
            closes = min(closes, spans.ends[next_one])
        if opens > at:
            at = opens
            continue
        found.append((at, closes))
        at = closes
    return found


def is_open(spans: Spans, begin: int, end: int) -> bool:
    """Whether one span holds both moments; both ends of a span count."""
    last = bisect_right(spans.starts, begin) - 1
    return last >= 0 and end <= spans.ends[last]


def read_problem(problem: Json) -> Shop:
    """The problem as records; raises ValueError with a sentence when it cannot be read."""
    try:
        return _read_problem(problem)
    except (KeyError, TypeError, AttributeError) as wrong:
        raise ValueError(f"The problem lacks something or holds the wrong thing: {wrong!r}") from wrong


def _read_problem(problem: Json) -> Shop:
    calendars = {name: merged([(instant(begin), instant(end)) for begin, end in spans])
                 for name, spans in (problem.get("calendars") or {}).items()}
    resources = {one["id"]: _resource(one, calendars) for one in problem["resources"]}
    needs: dict[tuple[object, ...], Need] = {}
    orders = {one["id"]: _order(one, needs) for one in problem["orders"]}
    operations = {one.id: one for order in orders.values() for one in order.operations}
    if len(resources) < len(problem["resources"]) or len(orders) < len(problem["orders"]):
        raise ValueError("Two resources or two orders have the same id.")
    if len(operations) < sum(len(order.operations) for order in orders.values()):
        raise ValueError("Two operations have the same id.")
    for one in operations.values():
        for before, _ in one.after:
            if before not in operations:
                raise ValueError(f"Operation {one.id} comes after {before}, which is not there.")
    skills = {skill for resource in resources.values() for skill in resource.skills}
    skills |= {need.skill for one in operations.values() for need in one.needs if need.skill}
    grid = problem.get("grid_minutes")
    return Shop(
        now=instant(problem["now"]), grid=round(60 * (DEFAULT_GRID_MINUTES if grid is None else grid)),
        calendars=calendars, resources=resources, orders=orders, operations=operations,
        previous={name: _before(place) for name, place in (problem.get("previous") or {}).items()},
        weights={name: float(value) for name, value in (problem.get("weights") or {}).items()}, skills=skills,
    )


def _resource(raw: Json, calendars: Mapping[str, Spans]) -> Resource:
    calendar = raw.get("calendar")
    if calendar is not None and calendar not in calendars:
        raise ValueError(f"Resource {raw['id']} has the calendar {calendar}, which is not there.")
    skills = {name: (_or_ever(begin, -EVER_S), _or_ever(until, EVER_S))
              for name, (begin, until) in (raw.get("skills") or {}).items()}
    return Resource(
        raw["id"], raw.get("kind", ""), None if calendar is None else calendars[calendar], skills,
        _or_ever(raw.get("usable_from"), -EVER_S), _or_ever(raw.get("usable_until"), EVER_S),
        _or(raw.get("capacity"), 1),
    )


def _order(raw: Json, known: dict[tuple[object, ...], Need]) -> Order:
    return Order(
        raw["id"], _or_ever(raw.get("release"), -EVER_S), _or_none(raw.get("due")), _or_none(raw.get("promise")),
        _or(raw.get("weight"), 1), [_operation(raw["id"], one, known) for one in raw["operations"]],
    )


def _operation(order: str, raw: Json, known: dict[tuple[object, ...], Need]) -> Operation:
    said = raw.get
    after = [(one, 0) if isinstance(one, str) else (one["id"], round(60 * _or(one.get("lag_minutes"), 0)))
             for one in said("after") or ()]
    pin, remaining = said("pin"), said("remaining_minutes")
    return Operation(
        raw["id"], order, round(60 * raw["minutes"]), after, [_need(one, known) for one in said("needs") or ()],
        bool(said("may_pause")), bool(said("release_in_pause")), said("state") or "planned",
        _or_none(said("started_at")), None if remaining is None else round(60 * remaining),
        _or_none(pin.get("start")) if pin else None, flat(pin.get("resources") or []) if pin else [],
    )


def _need(raw: Json, known: dict[tuple[object, ...], Need]) -> Need:
    """The need; the same need of another operation is the same record, for there are many of few."""
    said = raw.get
    any_of, kind, skill, hold = said("any_of"), said("kind"), said("skill"), said("hold") == "order"
    asked = kind, None if any_of is None else tuple(any_of), skill, said("count"), said("amount"), hold
    need = known.get(asked)
    if need is None:
        among = None if any_of is None else frozenset(any_of)
        need = known[asked] = Need(kind, among, skill, int(_or(said("count"), 1)), _or(said("amount"), 1), hold,
                                   (kind, among, skill))
    return need


def _before(raw: Json) -> Before:
    resources = raw.get("resources")
    return Before(_or_none(raw.get("start")), None if resources is None else flat(resources), resources)


def _or(value: Any, otherwise: float) -> float:
    return otherwise if value is None else value


def _or_none(value: object) -> int | None:
    return None if value is None else instant(value)


def _or_ever(value: object, otherwise: int) -> int:
    return otherwise if value is None else instant(value)
