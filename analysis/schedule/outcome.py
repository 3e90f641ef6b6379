"""From bookings to the plan of the contract: figures of the orders, parts of the objective, what moved and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

from analysis.schedule import reasons
from analysis.schedule.fixed import Conflict
from analysis.schedule.model import MINUTE, WEIGHTS, Booking, Order, Problem
from analysis.schedule.place import Timeline, booked

Json = dict[str, object]
MOST_EXPLAINED = 40                 # late orders whose reasons are worked out, the costliest first


@dataclass
class Outcome:
    """Bookings of a problem by operation, facts included, and what is said of them."""

    problem: Problem
    bookings: dict[int, Booking]
    conflicts: list[Conflict] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.out = {entry.order for entry in self.problem.left_out}
        self.extents: dict[int, tuple[int, int]] = {}

    def planned(self) -> list[Order]:
        """The orders that are not left out."""
        return [order for order in self.problem.orders if order.id not in self.out]

    def extent(self, order: Order) -> tuple[int, int]:
        """First start and last end of an order's operations."""
        found = self.extents.get(order.index)
        if found is None:
            places = [self.bookings[index] for index in order.operations]
            found = min([one.start for one in places]), max([one.end for one in places])
            self.extents[order.index] = found
        return found

    def moved(self) -> list[tuple[int, bool, bool]]:
        """Planned operations that stand elsewhere than in the plan in force: whether in start, whether in resources."""
        found = []
        for index, (start, resources) in self.problem.previous.items():
            operation, booking = self.problem.operations[index], self.bookings.get(index)
            if booking is None or operation.state != "planned":
                continue
            changed = resources is not None and set(resources) != set(booking.resources)
            if booking.start != start or changed:
                found.append((index, booking.start != start, changed))
        return found

    def parts(self) -> dict[str, float]:
        """The terms of the objective."""
        late = after = 0.0
        last = self.problem.now
        for order in self.planned():
            end = self.extent(order)[1]
            late += order.weight * _minutes(end, order.due)
            after += _minutes(end, order.promise)
            last = max(last, end)
        moved = self.moved()
        amounts = (late, after, sum(start for _, start, _ in moved), sum(changed for _, _, changed in moved),
                   (last - self.problem.now) / MINUTE)
        return {name: self.problem.weights[name] * amount for name, amount in zip(WEIGHTS, amounts, strict=True)}

    def objective(self) -> float:
        """The weighted sum."""
        return sum(self.parts().values())


def _minutes(end: int, limit: int | None) -> float:
    return 0.0 if limit is None else max(0, end - limit) / MINUTE


def to_json(outcome: Outcome, *, bound: float, proven: bool, seconds: float, seed: int, solver: str) -> Json:
    """The plan of the contract. `proven` says that the bound holds for every valid plan of these orders."""
    problem, parts = outcome.problem, outcome.parts()
    objective = sum(parts.values())
    # All terms are at least 0, and whoever reaches a bound that holds has proven it.
    optimal = proven and not problem.left_out and objective <= bound + 1e-9 * max(1.0, objective)
    planned = outcome.planned()
    status = "optimal" if optimal else "feasible"
    conflicts = list(outcome.conflicts)
    if problem.left_out:
        conflicts += [Conflict(entry.facts, entry.reason, entry.remedies, entry.named) for entry in problem.left_out]
        if not planned:
            status = "infeasible"
    timeline = booked(problem, outcome.bookings)
    instant = cache(problem.instant)            # one operation starts when another ends
    return {
        "status": status, "bookings": _bookings(outcome, instant),
        "orders": _orders(outcome, planned, timeline, instant),
        "objective": objective, "bound": objective if optimal else min(bound, objective), "parts": parts,
        "moved": [reasons.moved(timeline, outcome.bookings, *one).to_json(problem) for one in outcome.moved()],
        "conflicts": [one.to_json() for one in conflicts],
        "unscheduled": [entry.to_json() for entry in problem.left_out],
        "seconds": seconds, "seed": seed, "solver": solver,
    }


def _bookings(outcome: Outcome, instant: Callable[[int], str]) -> Json:
    operations, names = outcome.problem.operations, [one.id for one in outcome.problem.resources]
    found: Json = {}
    for index in sorted(outcome.bookings):
        operation, booking = operations[index], outcome.bookings[index]
        if operation.state != "done":
            found[operation.id] = {"start": instant(booking.start), "end": instant(booking.end),
                                   "resources": [names[one] for one in booking.resources]}
    return found


def _orders(outcome: Outcome, planned: list[Order], timeline: Timeline, instant: Callable[[int], str]) -> Json:
    costly = sorted(planned, key=lambda one: (-one.weight * _minutes(outcome.extent(one)[1], one.due), one.index))
    explained = {order.index for order in costly[:MOST_EXPLAINED]}
    found: Json = {}
    for order in planned:
        start, end = outcome.extent(order)
        entry: Json = {"start": instant(start), "end": instant(end),
                       "tardiness_minutes": _minutes(end, order.due),
                       "promise_moved_minutes": _minutes(end, order.promise)}
        if entry["tardiness_minutes"] and order.index in explained:
            entry["late_because"] = reasons.late(timeline, outcome.bookings, order)
        found[order.id] = entry
    return found
