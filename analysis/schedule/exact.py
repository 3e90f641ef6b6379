"""The exact route for small problems: one constraint model with every person named, solved to a proof or cut off.

`prove` starts from a plan that stands. What comes back is at least as good, with a bound that holds for every valid
plan of the same orders. The model has no intervals for nights: where an operation may start with whom is a set of
instants (see `exact_places`), so that only real bookings compete. No operation is looked at later than the plan at hand
allows: an order that ends later than that would cost more by itself than the plan at hand does as a whole.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import isclose

from ortools.sat.python import cp_model

from analysis.schedule.exact_model import Model
from analysis.schedule.exact_places import TooLarge
from analysis.schedule.exact_uses import compete
from analysis.schedule.exact_windows import least_cost
from analysis.schedule.fixed import Fixed, slots
from analysis.schedule.jobs import Jobs
from analysis.schedule.model import Booking, Operation, Problem

MOST_OPERATIONS = 320               # open operations beyond which no proof is tried


@dataclass(frozen=True)
class Proof:
    """Bookings at least as good as those given, a bound in units of the objective, and whether the two meet."""

    bookings: dict[int, Booking]
    bound: float
    optimal: bool


def prove(problem: Problem, fixed: Fixed, jobs: Jobs, bookings: Mapping[int, Booking], objective: float, *,
          effort: float, seconds: float, seed: int) -> Proof | None:
    """The best plan of the orders in `jobs`, or as far as it got; None when the problem is not for this route.

    Parameters
    ----------
    problem, fixed, jobs
        As read, with what does not move and what is to be placed.
    bookings : mapping
        A plan that stands, by operation, fixed ones included; `objective` is what it costs.
    effort : float
        Limit in the solver's own measure of work, the same on every machine: 1 is some seconds of one core.
    seconds : float
        Limit by the clock, the making of the model included; it only ever cuts the search short.
    seed : int
        Of the solver.
    """
    still = [index for members in jobs.operations for index in members if index not in fixed.bookings]
    if not 0 < len(still) <= MOST_OPERATIONS or seconds <= 0 or _elsewhere(problem, fixed):
        return None
    started = time.monotonic()
    try:
        model = Model(problem, fixed, jobs, objective)
        compete(model)
    except TooLarge:
        return None
    model.hint(bookings)
    solver = _solver(effort, seconds - (time.monotonic() - started), seed)
    status = solver.solve(model.cp)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return None
    bound = model.offset + solver.best_objective_bound / model.scale
    return Proof(dict(bookings) | model.bookings(solver), max(0.0, bound), status == cp_model.OPTIMAL)


def punctual(problem: Problem, fixed: Fixed, jobs: Jobs, bookings: Mapping[int, Booking], *, effort: float,
             seconds: float, seeds: Sequence[int]) -> Proof | None:
    """A plan in which no order is later than it would be if it were alone in the shop, which no plan can better.

    Asked for nothing else, the solver has windows so narrow that it may find in a second what no search finds; or
    nothing, where there is no such plan or the effort is over. Each of the seeds is tried on a core of its own, the
    first with the plan that stands as a hint; of what they find the first one's counts, whichever is faster. Other
    parameters are those of `prove`.
    """
    if problem.weights["makespan"] > 0 or problem.mends or _elsewhere(problem, fixed):
        return None
    started = time.monotonic()
    models, solvers = [], []
    try:
        least = least_cost(problem, fixed, jobs)
        for _ in seeds:
            models.append(Model(problem, fixed, jobs, 0.0))
            compete(models[-1])
    except TooLarge:
        return None
    models[0].hint(bookings)
    for seed in seeds:
        solvers.append(_solver(effort, seconds - (time.monotonic() - started), seed))
        solvers[-1].parameters.symmetry_level = 0         # there is little of it, and looking for it takes long
    with ThreadPoolExecutor(len(seeds)) as pool:
        found = list(pool.map(lambda pair: pair[0].solve(pair[1].cp), zip(solvers, models, strict=True)))
    for status, solver, model in zip(found, solvers, models, strict=True):
        # of an order with a promise beside its due date the windows allow a little more than the least
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) and isclose(
                model.offset + solver.objective_value / model.scale, least, rel_tol=1e-9, abs_tol=1e-6):
            return Proof(dict(bookings) | model.bookings(solver), least, optimal=True)
    return None


def _elsewhere(problem: Problem, fixed: Fixed) -> bool:
    """Whether somebody does work that does not move though another could: no bound holds for both."""
    return any(_chosen(problem, problem.operations[index]) for index in fixed.bookings)


def _solver(effort: float, seconds: float, seed: int) -> cp_model.CpSolver:
    """One worker, so that the same input gives the same plan; relaxations and probing cost more than they bring."""
    solver = cp_model.CpSolver()
    settings = solver.parameters
    settings.num_workers, settings.linearization_level, settings.cp_model_probing_level = 1, 0, 0
    settings.random_seed = seed % 2**31
    settings.max_deterministic_time = effort
    settings.max_time_in_seconds = max(0.0, seconds)
    return solver


def _chosen(problem: Problem, operation: Operation) -> bool:
    """Whether the planner chose who does an operation that does not move: another choice might have been better."""
    if operation.state == "planned":
        return any(len(need.candidates) > need.count for need in operation.needs)
    before = problem.previous.get(operation.index)
    named = before is not None and before[1] is not None and len(before[1]) == len(slots(operation))
    return operation.state == "started" and bool(operation.needs) and not named
