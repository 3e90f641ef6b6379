"""`plan`: from the JSON of a problem to the JSON of a plan that has been checked by code of its own."""

from __future__ import annotations

import gc
import math
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from threading import Event
from typing import Any, cast

from analysis.errors import AnalysisRefused
from analysis.schedule import fields as f
from analysis.schedule.ahead import look_ahead, ways_within
from analysis.schedule.build import Builder
from analysis.schedule.check import Violation, check
from analysis.schedule.explained import explain
from analysis.schedule.fields import Floats, Ints
from analysis.schedule.fixed import Fixed, fix
from analysis.schedule.impossible import no_place
from analysis.schedule.model import Booking, Problem
from analysis.schedule.outcome import Json, Outcome, to_json
from analysis.schedule.problem import read
from analysis.schedule.search import (
    APART,
    MEETINGS_OF_MENDING,
    STEPS_A_SECOND,
    Effort,
    improve,
    improve_anew,
    mend,
    steps_within,
)
from analysis.schedule.serial import Scheme, best_rule
from analysis.schedule.values import ProblemRefused

__all__ = ["PlanBroken", "ProblemRefused", "plan"]


class PlanBroken(AnalysisRefused):
    """The plan made does not pass the checker, which is a fault of the planner; `violations` says what is wrong."""

    def __init__(self, violations: list[Violation]) -> None:
        super().__init__(f"The plan that was made breaks {len(violations)} rules and is not given out: "
                         f"{violations[0].message}")
        self.violations = violations

    def to_json(self) -> Json:
        return {"refused": {"message": self.message, "place": ""}}


CLASHES = ("capacity", "hold", "hold_point")
MOST_TO_PROVE = 320                 # planned operations beyond which no proof is tried
SEARCH_BEFORE_PROOF = 0.4           # of the time: a good plan makes a small model
LISTS_BEFORE_PROOF = 0.6            # of the time, in work of which most is done in less
BEFORE_PROOF = 0.85                 # of the time, after which what is left is kept for the proof
PUNCTUAL, PUNCTUAL_ENDS = 0.5, 0.86  # of the solver's work and of the time, until then a punctual plan is looked for
PROOF_ENDS = 0.92                   # of the time: what is left is for the check
SEARCHES_ANEW = 4                   # beside the proof
LEAST_REST = 0.01                   # seconds
EFFORT_A_SECOND = 0.08              # in the solver's own measure of work
EFFORT_A_STEP = 1e-4


@dataclass
class Stand:
    """A complete plan on a board: costs by job and how it came about."""

    fixed: Fixed
    scheme: Scheme
    board: Ints
    costs: Floats
    solver: str


def plan(problem: object, *, seconds: float, seed: int = 0, steps: int | None = None) -> Json:
    """A plan for a problem, both in the JSON of the contract (instants RFC 3339, durations in minutes).

    Parameters
    ----------
    problem : dict
        The planning problem, as parsed. It is not changed.
    seconds : float
        How long to look for a better plan, in seconds of the clock, 0 for the plan of the rules alone. The first
        complete plan and the check of the last one come on top of that: together below a second for a thousand orders.
    seed : int
        Of the random numbers of the search.
    steps : int, optional
        How long the search goes on, whatever the clock says, in steps of a thousand looks at what is booked; by default
        as many as `seconds` are good for.

    Returns
    -------
    dict
        The plan. An order that cannot be planned is under `unscheduled` with the reason, and the rest is planned.

    Raises
    ------
    ProblemRefused
        When what concerns all orders cannot be read: calendars, resources, weights, `now`.
    PlanBroken
        When the plan does not pass the checker. Work in hand that clashes with other work in hand is no fault of the
        plan: it stands, and `conflicts` tells of it.

    Notes
    -----
    The same problem, seconds and seed give the same plan, byte for byte: how far it looks ahead and how long the search
    goes on follow from `seconds` and the size of the problem alone, so that both end well before the time is over. On a
    machine that is too slow or too busy for that the clock cuts the search short; then `solver` tells how many steps it
    went, and another run may give another plan. With `steps` the clock is never looked at. Where nothing but
    the sequence of operations is to be settled, lists of them are tried next. A small problem is then given to an exact
    solver, which may prove its plan `optimal`. Both count their own work in the same way.
    """
    if not 0 <= seconds < math.inf:
        raise ProblemRefused("The time to plan must be a number of seconds, 0 or more.", "seconds")
    started = time.monotonic()
    with collector_resting():
        return _plan(problem, seconds, seed, steps, started)


@contextmanager
def collector_resting() -> Iterator[None]:
    """Nothing made here refers back to its maker; looking for such rings takes a third of the time."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def _plan(problem: object, seconds: float, seed: int, steps: int | None, started: float) -> Json:
    read_problem = read(problem)
    raw = cast(Mapping[str, Any], problem)
    stand = _first(read_problem)
    with ThreadPoolExecutor(1) as beside:
        # What is said of orders left out takes seconds in a crowded shop, and the search need not wait for it.
        explaining = beside.submit(explain, raw, read_problem)
        best, first, said = _searched(read_problem, stand, seconds, seed, steps, started)
        explaining.result()
    return _checked(raw, [best, first], {**said, "seconds": seconds, "seed": seed})


def _searched(read_problem: Problem, stand: Stand, seconds: float, seed: int, steps: int | None, started: float
              ) -> tuple[Outcome, Outcome, dict[str, Any]]:
    """The best plan found, the plan of the rules, and what is said of the best one."""
    first = outcome_of(read_problem, stand)
    best, bound, solver = first, 0.0, stand.solver
    small = sum(operation.state == "planned" for operation in read_problem.operations) <= MOST_TO_PROVE
    # With steps given the clock is not looked at; the proof then gets its share as if the steps had taken their time.
    share = SEARCH_BEFORE_PROOF if small else 1.0
    left = Budget(started, seconds * share if steps is None else math.inf)
    if steps is None:
        steps = steps_within(seconds * share, len(stand.scheme.jobs.orders))
        effort = seconds * EFFORT_A_SECOND
    else:
        effort = steps * EFFORT_A_STEP
    if steps and best.objective() > 0:
        begun, steps, words = _begun(stand, steps, seed, left.over)
        search, solver = mend if read_problem.mends else improve, solver + words
        board, costs, done = search(stand.scheme, *begun, _effort(read_problem, steps, seed, small=small), left.over)
        found = outcome_of(read_problem, Stand(stand.fixed, stand.scheme, board, costs, ""))
        best = found if found.objective() < best.objective() else best
        # A plan that costs nothing ends the search as well, after as many steps each time.
        cut = f", cut short of {steps} by the clock" if done < steps and best.objective() > 0 else ""
        solver += f"; {done} steps of search{cut}"
    # A search of many jobs that is followed by no proof has had all the time.
    if effort and (small or not steps) and best.objective() > 0:
        best, bound, words = _listed(best, stand, effort / EFFORT_A_SECOND * LISTS_BEFORE_PROOF, seed,
                                     lambda: left.rest(seconds * BEFORE_PROOF) <= LEAST_REST)
        solver += words
    lateness_alone = read_problem.weights["makespan"] == 0 and not read_problem.mends
    if small and effort and best.objective() > bound and lateness_alone:
        best, proven, words = _punctual(best, stand, effort * PUNCTUAL, left.rest(seconds * PUNCTUAL_ENDS), seed)
        bound, solver, effort = max(bound, proven), solver + words, effort * (1.0 - PUNCTUAL)
    if small and effort and best.objective() > bound:
        best, proven, words = _proven(best, stand, effort, left.rest(seconds * PROOF_ENDS), steps, seed)
        bound, solver = max(bound, proven), solver + words
    return best, first, {"bound": bound, "proven": True, "solver": solver}


def _begun(stand: Stand, steps: int, seed: int, over: Callable[[], bool]) -> tuple[tuple[Ints, Floats], int, str]:
    """Where the search begins, how many of the steps are left for it, and what was done in words.

    Looking ahead is for orders that wait for each other, and would move everything where a plan is to be mended.
    """
    scheme, problem = stand.scheme, stand.scheme.builder.problem
    begun, jobs = (stand.board.copy(), stand.costs.copy()), len(scheme.jobs.orders)
    if problem.mends or scheme.rates[f.SPAN_RATE] > 0:
        return begun, steps, ""
    ways, beside, share = ways_within(steps / STEPS_A_SECOND, jobs)
    if not ways:
        return begun, steps, ""
    board, costs, complete = look_ahead(scheme, ways, beside, seed, over)
    if complete and scheme.cost(board, costs) < scheme.cost(*begun):
        begun = board, costs
    return begun, round(steps * (1 - share)), f"; {beside} plans looked {ways} ways ahead"


@dataclass(frozen=True)
class Budget:
    """A moment of the monotonic clock and how many seconds there are from it on."""

    started: float
    seconds: float

    def over(self) -> bool:
        """Whether the time is up; the clock is left alone where there is no limit."""
        return self.seconds < math.inf and time.monotonic() - self.started > self.seconds

    def left(self) -> float | None:
        """Seconds until the time is up, None where there is no limit."""
        return max(0.0, self.seconds - (time.monotonic() - self.started)) if self.seconds < math.inf else None

    def rest(self, seconds: float) -> float:
        """What is left of so many seconds; no limit stays none."""
        return max(LEAST_REST, seconds - (time.monotonic() - self.started)) if self.seconds < math.inf else math.inf


def _listed(best: Outcome, stand: Stand, seconds: float, seed: int,
            over: Callable[[], bool]) -> tuple[Outcome, float, str]:
    """The plan of the best sequence with a bound, the plan at hand where there is more to be settled."""
    # Imported here, as only such problems need what is compiled for them.
    from analysis.schedule.lists import relisted

    found = relisted(best.problem, stand.fixed, stand.scheme.jobs, best.bookings, seconds=seconds, seed=seed, over=over)
    if found is None:
        return best, 0.0, ""
    made = Outcome(best.problem, found.bookings, stand.fixed.conflicts)
    cut = f", cut short at {found.share:.0%} by the clock" if found.share < 1 else ""
    better = made if made.objective() < best.objective() else best
    return better, found.bound, f"; {found.tried} lists{cut}"


def _punctual(best: Outcome, stand: Stand, effort: float, seconds: float, seed: int) -> tuple[Outcome, float, str]:
    """The plan in which no order is later than it has to be, with its cost as the bound; else the plan at hand."""
    from analysis.schedule.exact import punctual

    proof = punctual(best.problem, stand.fixed, stand.scheme.jobs, best.bookings, effort=effort, seconds=seconds,
                     seeds=(seed, seed + 1))
    if proof is None:
        return best, 0.0, ""
    made = Outcome(best.problem, proof.bookings, stand.fixed.conflicts)
    return made if made.objective() < best.objective() else best, proof.bound, "; punctual"


def _proven(best: Outcome, stand: Stand, effort: float, seconds: float, steps: int, seed: int
            ) -> tuple[Outcome, float, str]:
    """The plan of the exact route with its bound, the plan at hand where that route has nothing to say.

    Searches are made anew meanwhile, on the other core. Their plan is taken only where the exact route does not prove
    one, however soon they have found it: what comes of it does not depend on which is faster.
    """
    # Imported here, as the solver takes half a second to load.
    from analysis.schedule.exact import prove

    started, ended, cut = time.monotonic(), Event(), False
    efforts = [_effort(best.problem, steps, seed + number, small=True) for number in range(1, SEARCHES_ANEW + 1)]
    with ThreadPoolExecutor(1) as pool:
        anew = pool.submit(improve_anew, stand.scheme, stand.board, stand.costs, efforts, ended.is_set)
        try:
            proof = prove(best.problem, stand.fixed, stand.scheme.jobs, best.bookings, best.objective(), effort=effort,
                          seconds=seconds, seed=seed)
            if proof is not None and proof.optimal:
                ended.set()
            cut = bool(wait([anew], Budget(started, seconds).left()).not_done)
        finally:
            ended.set()
    words, bound = "", 0.0
    if proof is not None:
        found = Outcome(best.problem, proof.bookings, stand.fixed.conflicts)
        best = found if found.objective() <= best.objective() else best
        bound, words = proof.bound, "; proven" if proof.optimal else "; with a bound"
    if proof is None or not proof.optimal:
        board, costs = anew.result()
        again = outcome_of(best.problem, Stand(stand.fixed, stand.scheme, board, costs, ""))
        if again.objective() < best.objective():
            best, words = again, words + "; searched anew"
        words += ", cut short by the clock" if cut else ""
    return best, bound, words


def _effort(problem: Problem, steps: int, seed: int, *, small: bool = False) -> Effort:
    """One in force is mended in steps that take off more jobs and nearly always ask for their old places first.

    They are hotter where there are many jobs, of which few are concerned. Of a small problem more are taken off at
    once, and never those alone that one resource has in a row.
    """
    if problem.mends:
        heat, dear = ((1.0, 0.01), 6.0) if len(problem.orders) >= APART else ((0.3, 0.01), 8.0)
        return Effort(steps, seed, most=10, keep_share=0.97, shares=(0.0, 0.0, 0.05, 0.5, 0.6, 0.3), heat=heat,
                      meetings=MEETINGS_OF_MENDING, dear=dear)
    return Effort(steps, seed, most=7, shares=(0.0, 0.05, 0.05, 0.0, 0.0, 0.0)) if small else Effort(steps, seed)


def _checked(problem: Mapping[str, Any], outcomes: list[Outcome], said: dict[str, Any]) -> Json:
    """The first outcome that passes the checker; the plan of the rules stands where that of the search does not."""
    broken: list[Violation] = []
    for outcome in outcomes:
        made = to_json(outcome, **said)
        found = [one for one in check(*_readable(problem, outcome.problem, made)) if not _told(one, outcome)]
        if not found:
            return made
        broken = broken or found
    raise PlanBroken(broken)


def _told(violation: Violation, outcome: Outcome) -> bool:
    """Whether it is a clash of facts that the plan tells of: work in hand is not moved, so no plan is without it."""
    return violation.rule in CLASHES and any(
        {violation.operation, violation.resource} <= {fact.id for fact in conflict.facts}
        for conflict in outcome.conflicts)


def _readable(problem: Mapping[str, Any], read_problem: Problem, made: Json) -> tuple[dict[str, Any], dict[str, Any]]:
    """Problem and plan without the orders that cannot be read: the checker could not read them either."""
    known = {order.id for order in read_problem.orders}
    left = [one for one in problem.get("orders") or () if isinstance(one, Mapping) and one.get("id") in known]
    if len(left) == len(problem.get("orders") or ()):
        return dict(problem), made
    entries: Any = made["unscheduled"]
    conflicts: Any = made["conflicts"]
    kept = [entry for entry in entries if entry["order"] in known]
    reasons = {entry["reason"] for entry in entries if entry["order"] not in known}
    return ({**problem, "orders": left},
            {**made, "unscheduled": kept,
             "conflicts": [one for one in conflicts if one["sentence"] not in reasons],
             "status": made["status"] if left else "none-yet"})


def _first(problem: Problem) -> Stand:
    """The plan of the best rule for every order that has a place at all; the others are left out with the reason."""
    while True:
        fixed = fix(problem)
        scheme = Scheme(Builder(problem, fixed, problem.weights))
        board, costs, _, rule = best_rule(scheme)
        lost = [job for job, placed in enumerate(f.table(board, f.JOB_PLACED, len(scheme.jobs.orders))) if not placed]
        if not lost:
            return Stand(fixed, scheme, board, costs, rule)
        for job in lost:
            problem.left_out += no_place(problem, fixed, scheme.jobs.orders[job], scheme.jobs.operations[job])


def outcome_of(problem: Problem, stand: Stand) -> Outcome:
    """The bookings on a board, with those that do not move."""
    board, count = stand.board, len(problem.operations)
    pointer = f.table(stand.scheme.shop, f.OP_SLOT_PTR, count + 1).tolist()
    starts, ends = f.table(board, f.OP_START, count).tolist(), f.table(board, f.OP_END, count).tolist()
    picks = f.table(board, f.PICK, pointer[-1]).tolist()
    bookings = dict(stand.fixed.bookings)
    for index in chain.from_iterable(stand.scheme.jobs.operations):
        if index not in bookings:
            resources = tuple(picks[pointer[index]:pointer[index + 1]])
            bookings[index] = Booking(starts[index], ends[index], resources)
    return Outcome(problem, bookings, stand.fixed.conflicts)
