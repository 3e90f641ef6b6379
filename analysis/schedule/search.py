"""Search for a better plan: a fixed number of steps, a seed, and a limit of time that only ever cuts it short."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.fields import Floats, Ints
from analysis.schedule.kernel_cost import settle
from analysis.schedule.kernel_search import anneal
from analysis.schedule.serial import Scheme

CHUNK = 50                          # steps between two looks at the clock
STEPS_A_SECOND = 5600               # of a very small problem


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


def improve(scheme: Scheme, board: Ints, costs: Floats, effort: Effort,
            over: Callable[[], bool]) -> tuple[Ints, Floats, int]:
    """The best plan found from `board` on, its costs by job, and how many steps were made before `over` said stop."""
    best, kept = board.copy(), board.copy()
    cost = scheme.cost(board, costs)
    placed = int(f.table(board, f.JOB_PLACED, len(scheme.jobs.orders)).sum())
    levels = np.array([cost, cost])
    changed = np.zeros(len(scheme.jobs.orders), np.bool_)
    done = 0
    if placed < 2 or cost <= 0:
        return board, costs, 0
    heat = np.array([*(np.array(effort.heat) * cost / placed), *effort.shares])
    state = np.array([(effort.seed * 0x9E3779B97F4A7C15 + 0x1234567887654321) % 2**64 or 1], np.uint64)
    while done < effort.steps and levels[1] > 0 and not over():
        upto = min(effort.steps, done + CHUNK)
        anneal(scheme.shop, board, scheme.rates, costs, kept, best, state,
               np.array([done, upto, effort.steps]), heat, min(effort.most, placed), effort.keep_share, levels, changed)
        done = upto
    for job in range(len(scheme.jobs.orders)):
        settle(scheme.shop, best, scheme.rates, costs, job)
    return best, costs, done


def steps_within(seconds: float, jobs: int, operations: int) -> int:
    """How many steps are done in most of the time on a core of its own; a figure of the problem alone."""
    if jobs < 2:
        return 0
    return int(seconds * STEPS_A_SECOND * 3000 / (3000 + operations))
