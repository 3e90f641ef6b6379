"""Better plans where the last end is all that counts and nobody has a choice: only the sequence is left to settle.

A project of one order is such a problem. The search over jobs has nothing to exchange in it, since all of its
operations are one job, and the exact route is slow to find good plans for one that is short of resources. Here its
operations are listed, and lists are bred (see `kernel_lists`): two populations, each with random numbers of its own,
side by side. What comes of it follows from problem, effort and seed alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from analysis.schedule.fields import Ints, Words
from analysis.schedule.fixed import Fixed
from analysis.schedule.jobs import Jobs
from analysis.schedule.kernel_lists import BEST, LEAST, NOTHING, TRIED, Net, Room, breed
from analysis.schedule.model import DAY, MINUTE, NEVER, Booking, Operation, Problem

MOST_CELLS = 400_000                # units of time in all resources, which each list goes through
POPULATION = 120
PATIENCE = 100                      # lists for each in the population, after which one that gets no better makes way
SIDE_BY_SIDE = 2
LOOKS = 40                          # at the clock
WORK_A_SECOND = 200_000_000         # of one core, with room to spare


@dataclass(frozen=True)
class Lists:
    """The open operations by number, the beginning and the unit of time, and where the plan at hand ends."""

    operations: list[int]
    begin: int
    unit: int
    net: Net
    end: int

    def bookings(self, problem: Problem, starts: Ints) -> dict[int, Booking]:
        """What these starts are as bookings."""
        found = {}
        for index, start in zip(self.operations, starts, strict=True):
            operation, at = problem.operations[index], self.begin + int(start) * self.unit
            found[index] = Booking(at, at + operation.length,
                                   tuple(one.resource for need in operation.needs for one in need.candidates))
        return found


@dataclass(frozen=True)
class Relisted:
    """Bookings at least as good as those given, and a bound in units of the objective.

    `tried` lists were made for them, in that `share` of the work that was to be done.
    """

    bookings: dict[int, Booking]
    bound: float
    tried: int
    share: float


def relisted(problem: Problem, fixed: Fixed, jobs: Jobs, bookings: Mapping[int, Booking], *, seconds: float, seed: int,
             over: Callable[[], bool]) -> Relisted | None:
    """The best plan found by lists; None when the problem is not for them.

    Parameters
    ----------
    problem, fixed, jobs
        As read, with what does not move and what is to be placed.
    bookings : mapping
        A plan that stands, by operation, fixed ones included.
    seconds : float
        Of two cores, of which an amount of work follows that is the same on every machine.
    seed : int
        Of the random numbers.
    over : callable
        Says when the time is over; it only ever cuts the search short.
    """
    lists = lists_of(problem, fixed, jobs, bookings)
    if lists is None:
        return None
    enough = _soonest(lists.net)
    bound = problem.weights["makespan"] * (lists.begin + enough * lists.unit - problem.now) / MINUTE
    if lists.end <= enough:
        return Relisted(dict(bookings), bound, 0, 1.0)
    rooms = [_room(lists) for _ in range(SIDE_BY_SIDE)]
    states = [np.array([(seed * 0x9E3779B97F4A7C15 + 0x5851F42D4C957F2D * (number + 1)) % 2**64 or 1], np.uint64)
              for number in range(SIDE_BY_SIDE)]
    with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
        for look in range(1, LOOKS + 1):
            work = int(seconds * WORK_A_SECOND * look / LOOKS)
            for _ in pool.map(partial(_breed, lists.net, work, enough), rooms, states):
                pass        # read through, so that what one of them raises is raised here
            done = look == LOOKS or min(room.counts[BEST] for room in rooms) <= enough
            if done or over():
                break
    best = min(rooms, key=lambda room: int(room.counts[BEST]))
    found = dict(bookings) if best.counts[BEST] >= lists.end else (
        dict(bookings) | lists.bookings(problem, best.best))
    return Relisted(found, bound, sum(int(room.counts[TRIED]) for room in rooms), 1.0 if done else look / LOOKS)


def _breed(net: Net, work: int, enough: int, room: Room, state: Words) -> None:
    breed(net, room, state, work, enough, POPULATION * PATIENCE)


def lists_of(problem: Problem, fixed: Fixed, jobs: Jobs, bookings: Mapping[int, Booking]) -> Lists | None:
    """The problem in whole units from its beginning; None when more than the sequence is to be settled."""
    still = [index for members in jobs.operations for index in members if index not in fixed.bookings]
    unit, begin = problem.grid, problem.on_grid(problem.now)
    if len(still) < 2 or jobs.groups or DAY % unit or not _span_alone(problem) or not all(
            _settled(problem, fixed, problem.operations[index]) for index in still):
        return None
    if not set(still).isdisjoint(before for one in fixed.bookings for before, _ in problem.operations[one].after):
        return None                 # what does not move waits for what does
    at_hand = max(bookings[index].end for index in still) - begin
    others = max([0, *(booking.end - begin for booking in fixed.bookings.values())])
    end = -(-max(at_hand, others) // unit)
    horizon = end + sum(problem.operations[one].length for one in still) // unit
    if horizon * len(problem.resources) > MOST_CELLS:
        return None
    return Lists(still, begin, unit, _net(problem, fixed, still, begin, horizon), at_hand // unit)


def _span_alone(problem: Problem) -> bool:
    """Whether the last end is all that costs anything."""
    weights = problem.weights
    late = any(order.due is not None and order.weight > 0 for order in problem.orders) and weights["tardiness"] > 0
    moved = any(order.promise is not None for order in problem.orders) and weights["moved_promise"] > 0
    other = problem.previous and weights["moved_start"] + weights["changed_resource"] > 0
    return weights["makespan"] > 0 and not (late or moved or other)


def _settled(problem: Problem, fixed: Fixed, operation: Operation) -> bool:
    """Whether it is known who does an operation and how long that takes, wherever it stands."""
    times = [operation.length, *(lag for _, lag in operation.after)]
    if any(time % problem.grid or time < 0 for time in times) or (operation.length == 0 and operation.needs):
        return False
    for need in operation.needs:
        if len(need.candidates) != need.count or need.group >= 0 or need.amount < 1:
            return False
        for one in need.candidates:
            paused = operation.may_pause and problem.resources[one.resource].calendar is not None
            moments = any(use.start == use.end for use in fixed.timeline.uses.get(one.resource, ()))
            if paused or moments or one.lo > problem.now or one.hi < NEVER:
                return False
    return True


def _net(problem: Problem, fixed: Fixed, still: Sequence[int], begin: int, horizon: int) -> Net:
    number, unit = {index: place for place, index in enumerate(still)}, problem.grid
    before: list[list[tuple[int, int]]] = []
    after: list[list[tuple[int, int]]] = [[] for _ in still]
    asks, ready = [], []
    for place, index in enumerate(still):
        operation = problem.operations[index]
        free = [problem.now, problem.orders[operation.order].release]
        free += [fixed.bookings[one].end + lag for one, lag in operation.after if one in fixed.bookings]
        ready.append(max(0, -(-(max(free) - begin) // unit)))
        before.append([(number[one], lag // unit) for one, lag in operation.after if one in number])
        for one, lag in before[-1]:
            after[one].append((place, lag))
        asks.append([(one.resource, need.amount) for need in operation.needs for one in need.candidates])
    length = [problem.operations[index].length // unit for index in still]
    tail = list(length)
    for place in reversed(range(len(still))):
        tail[place] += max([lag + tail[one] for one, lag in after[place]], default=0)
    return Net(_array(length), _array(ready), _array(tail), *_table(before), *_table(after), *_table(asks),
               _array([one.capacity for one in problem.resources]),
               np.concatenate([_taken(problem, fixed, one.index, begin, horizon) for one in problem.resources]))


def _taken(problem: Problem, fixed: Fixed, resource: int, begin: int, horizon: int) -> Ints:
    """How much of a resource is taken by what does not move, unit by unit; all of it where it does not work."""
    found, unit = np.zeros(horizon, np.int64), problem.grid
    for use in fixed.timeline.uses.get(resource, ()):
        if use.end > begin:
            found[max(0, (use.start - begin) // unit):-(-(use.end - begin) // unit)] += use.amount
    spans = problem.spans(resource)
    if spans is not None:
        closed = np.ones(horizon, np.bool_)
        for start, end in spans:
            if end > begin:
                closed[max(0, -(-(start - begin) // unit)):max(0, (end - begin) // unit)] = False
        found[closed] += problem.resources[resource].capacity
    return found


def _table(rows: Sequence[Sequence[tuple[int, int]]]) -> tuple[Ints, Ints, Ints]:
    """Pointers, and the two columns of all rows."""
    flat = [pair for row in rows for pair in row]
    return (_array([0, *np.cumsum([len(row) for row in rows])]), _array([one for one, _ in flat]),
            _array([other for _, other in flat]))


def _array(values: Sequence[int]) -> Ints:
    return np.array(values, np.int64)


def _soonest(net: Net) -> int:
    """No plan ends before this: the longest way there is, and for each resource the work on it.

    Of what cannot start before one moment, and has a certain way to go afterwards, the work takes the whole capacity
    for so long at least.
    """
    after = net.tail - net.length
    heads = net.ready.copy()
    for job in range(len(heads)):
        for at in range(net.before_ptr[job], net.before_ptr[job + 1]):
            other = net.before[at]
            heads[job] = max(heads[job], heads[other] + net.length[other] + net.before_lag[at])
    found = int((heads + net.tail).max())
    asking = np.repeat(np.arange(len(heads)), np.diff(net.ask_ptr))
    asking, asked, amount = (one[np.argsort(-after[asking], kind="stable")]
                             for one in (asking, net.ask, net.ask_amount))
    for resource, capacity in enumerate(net.capacity):
        jobs = asking[asked == resource]
        work = net.length[jobs] * amount[asked == resource]
        for head in np.unique(heads[jobs]):
            late = heads[jobs] >= head
            found = max(found, int((head - (-np.cumsum(work[late]) // capacity) + after[jobs[late]]).max()))
    return found


def _room(lists: Lists) -> Room:
    jobs = len(lists.operations)
    counts = np.zeros(6, np.int64)
    counts[LEAST] = counts[BEST] = NOTHING
    start, key, child, order, mark, best = (np.zeros(jobs, np.int64) for _ in range(6))
    return Room(start, np.zeros_like(lists.net.base), key, child, order, mark,
                np.zeros(jobs * POPULATION, np.int64), np.full(POPULATION, NOTHING, np.int64), best, counts)
