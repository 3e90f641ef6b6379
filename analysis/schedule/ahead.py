"""A plan for a shop in which many wait: jobs are settled a few at a time, by looking ahead of them.

A rule takes the next job by what is known before it is placed; the search moves a few jobs at a time. Neither finds
the order in which a queue of dozens leaves the bays soonest. Here each of the next jobs in question is placed for a
look, several ways to go on are tried, and the first jobs of the best one are settled: a rollout with a base rule
(Bertsekas, Tsitsiklis and Wu, Journal of Heuristics 3 (1997) 245), with the rest of the queue at the pace of the shop.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.fields import Flags, Floats, Ints, Words
from analysis.schedule.kernel_ahead import settle_ahead
from analysis.schedule.search import SIDE_BY_SIDE, state_of
from analysis.schedule.serial import MANY, Scheme, edd, lanes_of

SETTLED, AHEAD, LOOKED_AT = 4, 12, 16
MOST_BESIDE, MOST_WAYS = 8, 12
WAY_OF_JOB = 1.7e-4                 # seconds for one way to go on and one job, on a slow machine
SECONDS_OF_JOB, MOST_OF_TIME = 0.015, 0.75      # what looking ahead is given: so long for each job, at most that share
CHUNK = 25                          # jobs between two looks at the clock
WITHIN = 0.9                        # of the costs: until then the shop is taken to be full
FEWER_LANES = (1, 0)                # than in the plan by due date, in turn for the plans made beside each other


@dataclass
class _Queue:
    """What one of the plans under construction is at: its board, who waits, when its lanes are free, how it goes on."""

    board: Ints
    costs: Floats
    waiting: Flags
    free: Floats
    pace: Floats
    rest: Ints
    state: Words
    cost: float = 0.0

    def follow(self, other: _Queue) -> None:
        """Go on from where the other is, with random numbers of its own."""
        self.board, self.costs, self.waiting = other.board.copy(), other.costs.copy(), other.waiting.copy()
        self.free, self.pace, self.rest, self.cost = other.free.copy(), other.pace, other.rest.copy(), other.cost


def ways_within(seconds: float, jobs: int) -> tuple[int, int, float]:
    """How many ways, and plans beside each other, to look ahead with in that time, and the share of it they take."""
    given = min(SECONDS_OF_JOB * jobs, MOST_OF_TIME * seconds)
    most = int(given / (WAY_OF_JOB * max(1, jobs)))
    beside = next((number for number in (MOST_BESIDE, 4) if most >= 4 * number), SIDE_BY_SIDE)
    ways = min(MOST_WAYS, most // beside)
    return (ways, beside, given / seconds) if ways > 1 else (0, 0, 0.0)


def look_ahead(scheme: Scheme, ways: int, beside: int, seed: int, over: Callable[[], bool]
               ) -> tuple[Ints, Floats, bool]:
    """The best of so many plans made beside each other, with so many ways to go on; board, costs, whether complete.

    From time to time all go on from the best one. When `over` says that the time is up, the rest is placed with one
    way alone.
    """
    lanes, stretch = lanes_of(scheme, scheme.decoded(edd(scheme)[:MANY])[0])
    first = _begun(scheme, lanes, np.array([stretch * float(scheme.work.mean()), stretch, stretch]), seed, 0)
    by_release, jobs = np.argsort(scheme.release, kind="stable"), len(scheme.due)

    def go(queue: _Queue, upto: int, ways: int) -> None:
        sizes = np.array([1, jobs, jobs, LOOKED_AT] if ways < 2 else [ways, AHEAD, SETTLED, LOOKED_AT])
        queue.cost = settle_ahead(scheme.shop, queue.board, scheme.rates, queue.costs, scheme.facts, by_release,
                                  queue.waiting, queue.free, queue.pace, sizes, upto, queue.rest, queue.state)

    go(first, 0, 1)
    if ways < 2 or scheme.cost(first.board, first.costs) <= 0:
        return first.board, first.costs, _complete(scheme, first)
    pace, queues = _pace(scheme, first.board, first.costs), []
    for number in range(beside):
        few = max(1, lanes - FEWER_LANES[number % len(FEWER_LANES)])
        queues.append(_begun(scheme, few, np.array([first.pace[0], stretch, min(stretch, pace * few)]), seed, number))
    with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
        for upto in [*range(jobs - CHUNK, 0, -CHUNK), 0]:
            for _ in pool.map(partial(go, upto=upto, ways=1 if over() else ways), queues):
                pass        # read through, so that what one of them raises is raised here
            ahead = min(queues, key=lambda queue: queue.cost)
            for queue in queues:
                if queue is not ahead:
                    queue.follow(ahead)
    best = min([first, queues[0]], key=lambda one: (not _complete(scheme, one), scheme.cost(one.board, one.costs)))
    return best.board, best.costs, _complete(scheme, best)


def _begun(scheme: Scheme, lanes: int, pace: Floats, seed: int, number: int) -> _Queue:
    """A plan in which nothing stands but what has work in hand or pins."""
    board, costs, waiting = scheme.begun()
    return _Queue(board, costs, waiting, np.full(lanes, float(scheme.builder.problem.now)), pace,
                  np.zeros(len(costs) + 1, np.int64), state_of(seed, number))


def _complete(scheme: Scheme, queue: _Queue) -> bool:
    return bool(f.table(queue.board, f.JOB_PLACED, len(scheme.jobs.orders)).all())


def _pace(scheme: Scheme, board: Ints, costs: Floats) -> float:
    """How many minutes the shop takes for a minute of work while it is full."""
    placed = np.flatnonzero(f.table(board, f.JOB_PLACED, len(costs)))
    start, end = (f.table(board, one, len(costs))[placed] for one in (f.JOB_START, f.JOB_END))
    ranked = np.argsort(end, kind="stable")
    by_then = np.cumsum(costs[placed][ranked])
    until = end[ranked[np.searchsorted(by_then, WITHIN * by_then[-1])]]
    return float(until - start.min()) / max(1.0, float(scheme.work[placed][end <= until].sum()))
