"""How early and how late each operation can stand in any plan that costs no more than the one at hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import gcd

from analysis.schedule.exact_places import TooLarge, Way, fits, ways
from analysis.schedule.fixed import Fixed, slots
from analysis.schedule.jobs import Jobs
from analysis.schedule.model import DAY, MINUTE, Operation, Order, Problem
from analysis.schedule.place import Timeline, earliest

MOST_STARTS = 6000                  # of one operation
LEAST_UNIT = 1_000_000              # a second: finer times would make numbers that the solver is slow with


@dataclass(frozen=True)
class Window:
    """What one operation may do: for each slot and candidate its starts, or, when it may pause, its ways."""

    starts: list[list[list[int]]]
    ways: list[Way]


@dataclass(frozen=True)
class Windows:
    """The windows of the open operations, when each order ends at the latest, and the unit of all times."""

    of: dict[int, Window]
    latest: dict[int, int]
    unit: int


def rates(problem: Problem, order: Order) -> list[tuple[int, float]]:
    """Instants after which each microsecond of the order costs that much."""
    weights = problem.weights
    found = ((order.due, order.weight * weights["tardiness"]), (order.promise, weights["moved_promise"]))
    return [(at, rate / MINUTE) for at, rate in found if at is not None and rate > 0]


def windows(problem: Problem, fixed: Fixed, jobs: Jobs, objective: float) -> Windows:
    """Raises `TooLarge` when the times are too many or too fine."""
    if DAY % problem.grid:
        raise TooLarge
    orders = [problem.orders[one] for members in jobs.orders for one in members]
    soonest = soonest_of(problem, fixed, jobs)
    latest = _latest(problem, orders, soonest, objective)
    found = {index: _window(problem, problem.operations[index], ready, latest[problem.operations[index].order])
             for index, (ready, _) in soonest.items() if index not in fixed.bookings}
    return Windows(found, latest, _unit(problem, fixed, orders, found))


def least_of(problem: Problem, order: Order, soonest: dict[int, tuple[int, int]]) -> float:
    """What an order costs at least: as late as it would be if it were alone in the shop."""
    ends = max(soonest[one][1] for one in order.operations)
    return sum(rate * max(0, ends - at) for at, rate in rates(problem, order))


def least_cost(problem: Problem, fixed: Fixed, jobs: Jobs) -> float:
    """What all orders cost at least, whoever comes first; moves and makespan aside."""
    soonest = soonest_of(problem, fixed, jobs)
    return sum(least_of(problem, problem.orders[one], soonest) for members in jobs.orders for one in members)


def soonest_of(problem: Problem, fixed: Fixed, jobs: Jobs) -> dict[int, tuple[int, int]]:
    """Ready and earliest end of each operation if it were alone in the shop: nothing can end before that."""
    empty = Timeline(problem)
    found: dict[int, tuple[int, int]] = {}
    for index in (one for members in jobs.operations for one in members):
        operation = problem.operations[index]
        if index in fixed.bookings:
            found[index] = fixed.bookings[index].start, fixed.bookings[index].end
            continue
        ready = max([problem.now, problem.orders[operation.order].release,
                     *(found[before][1] + lag for before, lag in operation.after)])
        booking = earliest(empty, operation, ready)
        if booking is None:
            raise TooLarge
        found[index] = ready, booking.end
    return found


def _latest(problem: Problem, orders: Sequence[Order], soonest: dict[int, tuple[int, int]],
            objective: float) -> dict[int, int]:
    """By when each order ends in any plan that costs no more: what it costs more leaves what the others cost at least.

    An order that costs nothing however late it is may end whenever anybody still works.
    """
    least = {order.index: least_of(problem, order, soonest) for order in orders}
    room, span = max(0.0, objective - sum(least.values())), problem.weights["makespan"] / MINUTE
    found = {}
    for order in orders:
        by = [int(at + (least[order.index] + room) / rate) + MINUTE for at, rate in rates(problem, order)]
        if span > 0:
            by.append(int(problem.now + objective / span) + MINUTE)
        if not by:
            by = [max((spans[-1][1] for spans in problem.calendars if spans), default=0)]
        found[order.index] = min(by)
    return found


def _window(problem: Problem, operation: Operation, ready: int, by: int) -> Window:
    if (by - ready) // problem.grid > MOST_STARTS:
        raise TooLarge
    if operation.may_pause and operation.length > 0:
        return Window([], ways(problem, operation, ready, by))
    last = by - operation.length
    starts = [[fits(problem, operation, one, ready, last) for one in need.candidates] for need in slots(operation)]
    return Window(starts or [[list(range(problem.on_grid(ready), last + 1, problem.grid))]], [])


def _unit(problem: Problem, fixed: Fixed, orders: Sequence[Order], found: dict[int, Window]) -> int:
    """The largest unit in which every time of the model is whole."""
    times = {problem.now, problem.grid}
    for index, window in found.items():
        operation = problem.operations[index]
        times |= {operation.length, *(lag for _, lag in operation.after)}
        times |= {time for way in window.ways for time in (way.lasting, *(end for span in way.worked for end in span))}
    times |= {at for booking in fixed.bookings.values() for at in (booking.start, booking.end)}
    times |= {at for order in orders for at, _ in rates(problem, order)}
    unit = gcd(*times)
    if unit < LEAST_UNIT:
        raise TooLarge
    return unit
