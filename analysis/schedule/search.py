"""Search for a better plan: a fixed number of steps, a seed, and a limit of time that only ever cuts it short.

Two searches run side by side, each with random numbers of its own, and meet at fixed numbers of steps: there the one
whose plan costs more goes on from the plan of the other. What comes of it follows from problem, steps and seed alone,
whether or not the machine has a core for each.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.fields import Flags, Floats, Ints, Words
from analysis.schedule.kernel_cost import settle
from analysis.schedule.kernel_search import anneal
from analysis.schedule.serial import Scheme

CHUNK = 50                          # steps between two looks at the clock
STEPS_A_SECOND = 14_500             # of a very small problem
DOUBLED = 3900                      # operations with which a step takes twice as long
SIDE_BY_SIDE = 2
MEETINGS = 24


@dataclass(frozen=True)
class Effort:
    """How hard to try. `most` jobs are taken off at once; `keep_share` of placings ask for the plan in force first.

    `shares` are: of steps, those that take off what one resource has in a row; of placings, those that start later than
    they could, and those that begin with other candidates; of steps, those that put one job where others stand.
    """

    steps: int
    seed: int
    most: int = 5
    keep_share: float = 0.0
    shares: tuple[float, ...] = (0.5, 0.05, 0.05, 0.0)
    heat: tuple[float, float] = (0.3, 0.01)         # temperature at first and last, as a share of the mean job's cost


@dataclass
class _Walk:
    """One of the searches: the plan it is at, the best it has seen, what each costs, and its random numbers."""

    board: Ints
    costs: Floats
    kept: Ints
    best: Ints
    state: Words
    levels: Floats
    changed: Flags
    done: int = field(default=0)

    def go(self, scheme: Scheme, effort: Effort, heat: Floats, most: int, upto: int, over: Callable[[], bool]) -> None:
        """Steps up to number `upto`, fewer when nothing is left to gain or the time is over."""
        while self.done < upto and self.levels[1] > 0 and not over():
            then = min(upto, self.done + CHUNK)
            anneal(scheme.shop, self.board, scheme.rates, self.costs, self.kept, self.best, self.state,
                   np.array([self.done, then, effort.steps]), heat, most, effort.keep_share, self.levels, self.changed)
            self.done = then

    def follow(self, other: _Walk) -> None:
        """Go on from the plan that the other is at."""
        self.board[:], self.costs[:], self.levels[0] = other.board, other.costs, other.levels[0]
        self.changed[:] = True


def improve(scheme: Scheme, board: Ints, costs: Floats, effort: Effort,
            over: Callable[[], bool]) -> tuple[Ints, Floats, int]:
    """The best plan found from `board` on, its costs by job, and how many steps were made before `over` said stop."""
    cost = scheme.cost(board, costs)
    jobs = len(scheme.jobs.orders)
    placed = int(f.table(board, f.JOB_PLACED, jobs).sum())
    if placed < 2 or cost <= 0:
        return board, costs, 0
    heat = np.array([*(np.array(effort.heat) * cost / placed), *effort.shares])
    walks = [_Walk(board.copy(), costs.copy(), board.copy(), board.copy(), _state(effort.seed, number),
                   np.array([cost, cost]), np.zeros(jobs, np.bool_)) for number in range(SIDE_BY_SIDE)]
    with ThreadPoolExecutor(SIDE_BY_SIDE) as pool:
        for meeting in range(1, MEETINGS + 1):
            go = partial(_Walk.go, scheme=scheme, effort=effort, heat=heat, most=min(effort.most, placed),
                         upto=effort.steps * meeting // MEETINGS, over=over)
            for _ in pool.map(go, walks):       # read through, so that what one of them raises is raised here
                pass
            if over() or any(walk.levels[1] <= 0 for walk in walks):
                break
            ahead = min(walks, key=lambda walk: float(walk.levels[0]))
            for walk in walks:
                if walk is not ahead and walk.levels[0] > ahead.levels[0]:
                    walk.follow(ahead)
    best = min(walks, key=lambda walk: float(walk.levels[1])).best
    for job in range(jobs):
        settle(scheme.shop, best, scheme.rates, costs, job)
    return best, costs, min(walk.done for walk in walks)


def _state(seed: int, number: int) -> Words:
    """Where the random numbers begin: of the first search as the seed says, of the others somewhere else."""
    return np.array([(seed * 0x9E3779B97F4A7C15 + 0x1234567887654321 + number * 0xD1B54A32D192ED03) % 2**64 or 1],
                    np.uint64)


def steps_within(seconds: float, jobs: int, operations: int) -> int:
    """How many steps are done in most of the time on a core of its own; a figure of the problem alone."""
    if jobs < 2:
        return 0
    return int(seconds * STEPS_A_SECOND * DOUBLED / (DOUBLED + operations))
