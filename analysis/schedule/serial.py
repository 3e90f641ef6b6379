"""The serial scheme: jobs in the order of a rule, each at its earliest place. Always at hand, in milliseconds.

Two rules. EDD takes the earliest due date. ATC, apparent tardiness cost (Vepsalainen and Morton, Management Science 33
(1987) 1035), takes at each moment t the job with the highest w/p · exp(-max(0, d - p - t) / (k p̄)), with weight w,
length p, due date d and mean length p̄; several look-aheads k are tried and the cheapest plan is kept. Several jobs run
side by side, so t is the moment at which the first of `lanes` lanes is free, each of them taken until its job ends.
"""

from __future__ import annotations

import copy
import math

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.build import Builder
from analysis.schedule.fields import Flags, Floats, Ints
from analysis.schedule.jobs import Jobs
from analysis.schedule.kernel_ahead import go_on
from analysis.schedule.kernel_cost import settle, total
from analysis.schedule.kernel_search import decode, decode_kept
from analysis.schedule.model import MINUTE, Problem

LEAST_WEIGHT = 1e-3                 # of an order that is left out, so that two count more than one
MANY = 200                          # jobs beyond which a first plan has to be quick
TRIED = ((1.5, 1), (1.5, 3), (0.5, 1), (0.5, 3))         # look-ahead, and lanes beyond those that EDD kept busy


class Scheme:
    """A problem ready for the compiled scheme: shop, rates, and boards made on demand.

    `release`, `due`, `weight`, `work`: for each job the earliest start, due date, weight, and length of its work, in
    microseconds.
    """

    def __init__(self, builder: Builder) -> None:
        self.builder = builder
        self.jobs = builder.jobs
        self.shop = builder.shop()
        self.rates = builder.rates()
        self.empty = builder.board(self.shop)
        self.facts = _facts(builder.problem, builder.jobs)
        self.release, self.due, self.weight, self.work = self.facts.T

    def decoded(self, sequence: Ints, *, keep: bool = False) -> tuple[Ints, Floats, int]:
        """Board, costs by job and the number of jobs without a place, for a sequence of jobs."""
        board, costs = self.empty.copy(), np.zeros(len(self.jobs.orders))
        return board, costs, int(decode(self.shop, board, self.rates, costs, sequence, keep))

    def begun(self) -> tuple[Ints, Floats, Flags]:
        """Board, costs by job and who waits, where nothing stands but what has work in hand or pins."""
        board, costs, _ = self.decoded(np.array(self.jobs.pressing, np.int64))
        waiting = np.ones(len(costs), np.bool_)
        waiting[self.jobs.pressing] = False
        return board, costs, waiting

    def priced(self, factor: float) -> Scheme:
        """The same problem with moves so many times as dear."""
        other = copy.copy(self)
        other.rates = self.rates.copy()
        other.rates[[f.MOVE_COST, f.CHANGE_COST]] *= factor
        return other

    def costs_of(self, board: Ints) -> Floats:
        """What each job on a board costs; 0 for those without a place."""
        costs = np.zeros(len(self.jobs.orders))
        for job in np.flatnonzero(f.table(board, f.JOB_PLACED, len(costs))).tolist():
            settle(self.shop, board, self.rates, costs, job)
        return costs

    def cost(self, board: Ints, costs: Floats) -> float:
        """What the plan on the board costs."""
        return float(total(self.shop, board, self.rates, costs))

    def first_pressing(self, sequence: list[int]) -> Ints:
        """Jobs with work in hand or pins before all others: theirs is a place that nobody else may take."""
        pressing = set(self.jobs.pressing)
        return np.array(sorted(sequence, key=lambda job: job not in pressing), np.int64)


def _facts(problem: Problem, jobs: Jobs) -> Floats:
    rows = []
    for members, operations in zip(jobs.orders, jobs.operations, strict=True):
        orders = [problem.orders[one] for one in members]
        rows.append((min([max(problem.now, one.release) for one in orders]),
                     min([f.FAR if one.due is None else one.due for one in orders]),
                     sum([one.weight for one in orders]),
                     max(MINUTE, sum([problem.operations[one].length for one in operations]))))
    return np.array(rows, np.float64).reshape(-1, 4)


def edd(scheme: Scheme) -> Ints:
    """Jobs by due date, then by number."""
    return scheme.first_pressing(np.argsort(scheme.due, kind="stable").tolist())


def atc(scheme: Scheme, look_ahead: float, lanes: int, stretch: float) -> tuple[Ints, Floats, int]:
    """Jobs by apparent tardiness cost; `stretch` is how much longer a job takes than its work, nights included."""
    board, costs, waiting = scheme.begun()
    jobs = len(costs)
    scale = look_ahead * max(float(MINUTE), stretch * float(scheme.work.mean())) if jobs else 1.0
    free, rule, state = np.full(lanes, -np.inf), np.array([scale, stretch, 0.0, 0.0]), np.zeros(1, np.uint64)
    go_on(scheme.shop, board, scheme.rates, costs, scheme.facts, waiting, free, rule, np.zeros(1, np.int64),
          np.zeros(1), state, np.zeros(jobs, np.int64), 0)
    return board, costs, jobs - int(np.count_nonzero(f.table(board, f.JOB_PLACED, jobs)))


def kept(scheme: Scheme) -> tuple[Ints, Floats, int, str]:
    """The plan in force made valid: what can stand stays, the rest is placed around it, promises first."""
    problem = scheme.builder.problem
    due = scheme.due.tolist()

    def rank(job: int) -> tuple[bool, int, float, int]:
        before = [problem.previous[one][0] for one in scheme.jobs.operations[job] if one in problem.previous]
        promised = any(problem.orders[one].promise is not None for one in scheme.jobs.orders[job])
        return not promised, min(before, default=f.FAR), due[job], job

    ranked = scheme.first_pressing(sorted(range(len(due)), key=rank)).tolist()
    first = set[int]()
    while True:
        sequence = np.array(sorted(ranked, key=lambda job: job not in first), np.int64)
        board, costs = scheme.empty.copy(), np.zeros(len(due))
        lost = int(decode_kept(scheme.shop, board, scheme.rates, costs, sequence, len(first)))
        placed = f.table(board, f.JOB_PLACED, len(due))
        left = {job for job in ranked if not placed[job]}
        if left <= first:
            return board, costs, lost, "plan in force"
        first |= left       # work in hand that keeps its bay for longer goes before what was to come after it


def best_rule(scheme: Scheme) -> tuple[Ints, Floats, int, str]:
    """The cheapest plan among EDD and the look-aheads of ATC: board, costs, jobs without a place, name of the rule.

    Of many jobs, the first to be due tell how many lanes there are, and a single look-ahead has to do.
    """
    problem = scheme.builder.problem
    if len(scheme.jobs.orders) > MANY and not problem.previous:
        lanes, stretch = lanes_of(scheme, scheme.decoded(edd(scheme)[:MANY])[0])
        board, costs, lost = atc(scheme, TRIED[-1][0], lanes + TRIED[-1][1], stretch)
        if not lost:
            return board, costs, lost, "ATC"
    board, costs, lost = scheme.decoded(edd(scheme))
    found = (board, costs, lost, "EDD")
    if problem.previous:
        again = kept(scheme)
        if again[2] <= lost and problem.mends:
            return again                # what it lacks the search mends with few moves; a rule would move everything
        if _worth(scheme, again) <= _worth(scheme, found):
            found = again
    lanes, stretch = lanes_of(scheme, board)
    for look_ahead, more in TRIED:
        if _worth(scheme, found) == (0.0, 0.0):
            break                       # everything is placed and costs nothing
        tried = (*atc(scheme, look_ahead, lanes + more, stretch), "ATC")
        if _worth(scheme, tried) < _worth(scheme, found):
            found = tried
    return _with_the_lost(scheme, found)


def _with_the_lost(scheme: Scheme, found: tuple[Ints, Floats, int, str]) -> tuple[Ints, Floats, int, str]:
    """Jobs that found no place are tried first, by weight: what others took may be all that there is for them."""
    jobs, first, weight = len(scheme.jobs.orders), set[int](), scheme.weight
    while found[2]:
        lost = {job for job, placed in enumerate(f.table(found[0], f.JOB_PLACED, jobs)) if not placed}
        if lost <= first:
            break
        first |= lost
        sequence = sorted(edd(scheme).tolist(), key=lambda job: -weight[job] if job in first else math.inf)
        tried = (*scheme.decoded(scheme.first_pressing(sequence)), "EDD")
        if _worth(scheme, tried)[0] >= _worth(scheme, found)[0]:
            break
        found = tried
    return found


def _worth(scheme: Scheme, found: tuple[Ints, Floats, int, str]) -> tuple[float, float]:
    """What speaks against a plan: the weight of the jobs that it leaves out (each counts), then what it costs."""
    out = f.table(found[0], f.JOB_PLACED, len(scheme.jobs.orders)) == 0
    left = float(np.maximum(scheme.weight[out], LEAST_WEIGHT).sum()) if found[2] else 0.0
    return left, scheme.cost(found[0], found[1])


def lanes_of(scheme: Scheme, board: Ints) -> tuple[int, float]:
    """How many jobs ran side by side in a plan, on average, and how much longer than their work they took."""
    jobs = len(scheme.jobs.orders)
    placed = f.table(board, f.JOB_PLACED, jobs) > 0
    if not placed.any():
        return 1, 1.0
    start, end = f.table(board, f.JOB_START, jobs)[placed], f.table(board, f.JOB_END, jobs)[placed]
    start = np.maximum(start, scheme.builder.problem.now)
    spent = float(np.maximum(end - start, 0).sum())
    work = float(scheme.work[placed].sum())
    return max(1, round(spent / max(1.0, float(end.max() - start.min())))), max(1.0, spent / work)
