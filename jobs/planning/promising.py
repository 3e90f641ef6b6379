"""The earliest promise that can honestly be given for an order, and what moving another order would make of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from itertools import chain
from threading import Thread
from typing import Any
from zoneinfo import ZoneInfo

from jobs.planning.board import Board
from jobs.planning.clashes import Judge

Json = dict[str, Any]
Span = tuple[datetime, datetime]
MOST_TRIED = 6
STEPS = 300  # of search in a problem of one or two orders: some hundredths of a second
MOMENT = timedelta(seconds=1)  # how long a hold point takes of a calendar, which has no moments
ALWAYS = timedelta(days=400)


@dataclass(frozen=True)
class Offer:
    """An instant by which the order can be back.

    `stands`: the board has it ready by then. `itself`: the board has it elsewhere, so it must move there first.
    `moved` names another order that must give way, from its end to another.
    """

    at: datetime
    stands: bool = False
    itself: bool = False
    moved: str = ""
    moved_from: datetime | None = None
    moved_to: datetime | None = None
    moved_late: bool = False


@dataclass(frozen=True)
class Offers:
    """What can be offered, why nothing can, and of how many orders in the way how many were tried to move."""

    offers: list[Offer]
    why_none: str = ""
    tried: int = 0
    in_the_way: int = 0


def offers(problem: Json, order: str, bookings: Mapping[str, Mapping[str, Any]]) -> Offers:
    """Where the board has an order, its earliest end with everything else where it stands, then with one other moved.

    Each offer is earlier than the first. A place on the board that clashes with the facts is no offer. The search is
    short: the promise must be there while somebody waits on the telephone. Gives no offer and the planner's sentence
    where the order has no place at all.
    """
    taken = Taken(problem, bookings)
    found, reason = _ends(taken.problem_of([order], first=order), order)
    stood = found.get(order)
    itself = _last(bookings, order) is not None
    ready = _ready(problem, order, bookings)
    offered = [Offer(ready, stands=True)] if ready is not None else []
    if stood is None:
        return Offers(offered, "" if offered else reason)
    if ready is None or stood < ready:
        offered.append(Offer(stood, itself=itself))
    else:
        stood = ready
    in_the_way = _in_the_way(problem, order, bookings, stood)
    tried = in_the_way[:MOST_TRIED]
    for other in tried:
        ends, _ = _ends(taken.problem_of([order, other], first=order), order)
        end, moved_to, before = ends.get(order), ends.get(other), _last(bookings, other)
        if end is None or moved_to is None or before is None or end >= stood:
            continue
        due = _due(problem, other)
        late = due is not None and moved_to > due
        offered.append(Offer(end, False, itself, other, before, moved_to, late))
    alone = [one for one in offered if not one.moved]
    others = sorted((one for one in offered if one.moved), key=lambda one: (one.moved_late, one.at, one.moved))
    return Offers([*alone, *others[:2]], tried=len(tried), in_the_way=len(in_the_way))


def _ready(problem: Json, order: str, bookings: Mapping[str, Mapping[str, Any]]) -> datetime | None:
    """When the board has the order ready, where all of it stands there without a clash."""
    board = Board(problem, {key: dict(one) for key, one in bookings.items()}, {}, ZoneInfo("UTC"))
    judge = Judge(board, board.stands)
    left = [one.id for one in board.of_order(order) if one.state != "done"]
    if not left or any(one not in board.stands or judge.clashes(one) for one in left):
        return None
    return judge.order_end(order, board.stands)


@cache
def get_ready() -> Thread:
    """Load the planner beside the work of this process, once: whoever opens the board may ask for a promise next."""
    from analysis.schedule.ready import get_ready as load

    thread = Thread(target=load, name="load the planner", daemon=True)
    thread.start()
    return thread


class Taken:
    """What each order on the board takes of each resource, to state a shop in which some orders are free to move.

    Everything that stands is taken out of the calendars, so that a problem has one or two orders, however many the
    shop has. What an order keeps is taken from its first use to its last. An operation that could pause must not: it
    would pause for another's booking, which its people cannot.
    """

    def __init__(self, problem: Json, bookings: Mapping[str, Mapping[str, Any]]) -> None:
        self.problem = problem
        self.needs = {one["id"]: one["needs"] for order in problem["orders"] for one in order["operations"]}
        self.kinds = {one["id"]: one["kind"] for one in problem["resources"]}
        self.spans: dict[str, dict[str, list[Span]]] = {}
        kept: dict[tuple[str, str], Span] = {}
        for key, booking in bookings.items():
            order = key.partition("/")[0]
            start, end = (datetime.fromisoformat(booking[name]) for name in ("start", "end"))
            for resource in booking["resources"]:
                if self._keeps(key, resource):
                    begin, until = kept.get((order, resource), (start, end))
                    kept[order, resource] = (min(begin, start), max(until, end))
                else:
                    self.spans.setdefault(resource, {}).setdefault(order, []).append((start, max(end, start + MOMENT)))
        for (order, resource), span in kept.items():
            self.spans.setdefault(resource, {}).setdefault(order, []).append(span)

    def _keeps(self, operation: str, resource: str) -> bool:
        kind = self.kinds.get(resource)
        return any(need["kind"] == kind and need.get("hold") == "order" for need in self.needs.get(operation, ()))

    def problem_of(self, free: list[str], *, first: str) -> Json:
        """The problem of the free orders alone; `first` is due now, is the most urgent and has no promise yet."""
        calendars: dict[str, list[list[str]]] = {}
        resources = []
        for resource in self.problem["resources"]:
            gaps = sorted(
                span
                for order, spans in self.spans.get(resource["id"], {}).items()
                if order not in free
                for span in spans
            )
            left = _less(self._open(resource), gaps)
            calendars[resource["id"]] = [[one.isoformat(), two.isoformat()] for one, two in left]
            resources.append({**resource, "calendar": resource["id"]})
        orders = [self._order(one, first) for one in self.problem["orders"] if one["id"] in free]
        return {**self.problem, "calendars": calendars, "resources": resources, "orders": orders,
                "weights": {"tardiness": 1.0}, "previous": {}}  # fmt: skip

    def _open(self, resource: Json) -> list[Span]:
        if "calendar" not in resource:
            now = datetime.fromisoformat(self.problem["now"])
            return [(now - ALWAYS, now + ALWAYS)]
        return [
            (datetime.fromisoformat(start), datetime.fromisoformat(end))
            for start, end in self.problem["calendars"][resource["calendar"]]
        ]

    def _order(self, order: Json, first: str) -> Json:
        operations = [{**one, "may_pause": False} for one in order["operations"]]
        if order["id"] != first:
            return {**order, "operations": operations}
        entry = {**order, "operations": operations, "weight": 1e4, "due": self.problem["now"]}
        entry.pop("promise", None)
        return entry


def _less(spans: list[Span], gaps: list[Span]) -> list[Span]:
    """Spans without gaps, both sorted by start."""
    left: list[Span] = []
    number = 0
    for start, end in spans:
        at = start
        while number and gaps[number - 1][1] > at:
            number -= 1
        while number < len(gaps) and gaps[number][0] < end:
            begin, until = gaps[number]
            if begin > at:
                left.append((at, begin))
            at = max(at, until)
            number += 1
        if at < end:
            left.append((at, end))
    return left


def _ends(stated: Json, order: str) -> tuple[dict[str, datetime], str]:
    """The end of each order in a plan after a short search, and why `order` has none."""
    from analysis.schedule.plan import plan

    made: Any = plan(stated, seconds=0.0, steps=STEPS)
    reasons = [one["reason"] for one in made["unscheduled"] if one["order"] == order]
    ends = {key: datetime.fromisoformat(entry["end"]) for key, entry in made["orders"].items()}
    return ends, reasons[0] if reasons else ""


def _in_the_way(
    problem: Json, order: str, bookings: Mapping[str, Mapping[str, Any]], stood: datetime
) -> list[str]:
    """Orders that stand before the offer and may give way: not begun, not pinned, of no greater weight.

    Only a few are tried: in turn one of those that stand soonest, for whose place the order might be ready long before
    the offer, and one of the lightest that have the most time left until they are late.
    """
    weights = {one["id"]: float(one.get("weight", 1.0)) for one in problem["orders"]}
    starts: dict[str, datetime] = {}
    spare: dict[str, timedelta] = {}
    for one in problem["orders"]:
        begun = any(operation.get("state", "planned") != "planned" for operation in one["operations"])
        pinned = any(operation.get("pin") for operation in one["operations"])
        last = _last(bookings, one["id"])
        if one["id"] != order and not begun and not pinned and last is not None:
            begins = min(datetime.fromisoformat(bookings[operation["id"]]["start"]) for operation in one["operations"]
                         if operation["id"] in bookings)  # fmt: skip
            if begins < stood and weights[one["id"]] <= weights.get(order, 1.0):
                due = _due(problem, one["id"])
                starts[one["id"]], spare[one["id"]] = begins, ALWAYS if due is None else due - last
    soonest = sorted(starts, key=lambda key: (starts[key], weights[key], key))
    lightest = sorted(starts, key=lambda key: (weights[key], -spare[key], key))
    return list(dict.fromkeys(chain.from_iterable(zip(soonest, lightest, strict=True))))


def _last(bookings: Mapping[str, Mapping[str, Any]], order: str) -> datetime | None:
    ends = [datetime.fromisoformat(one["end"]) for key, one in bookings.items() if key.partition("/")[0] == order]
    return max(ends, default=None)


def _due(problem: Json, order: str) -> datetime | None:
    for one in problem["orders"]:
        if one["id"] == order:
            said = ("promise",) if one.get("undated") else ("due", "promise")
            limits = [datetime.fromisoformat(one[name]) for name in said if one.get(name)]
            return min(limits, default=None)
    return None
