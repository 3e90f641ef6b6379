"""Projects as in the j60 set of Kolisch and Sprecher, planned by the same model as shops: one order, one makespan.

R. Kolisch and A. Sprecher, European Journal of Operational Research 96 (1996) 205, draw projects by three figures: the
complexity of the network (NC, arcs per job, source and sink counted), the share of the resources that a job asks for
on average (RF), and how scarce these are (RS, from 0 for the largest single request to 1 for the peak of the profile
in which every job starts as soon as its predecessors allow). `drawn` follows that design with random numbers of its
own, so its projects are like theirs, and are not theirs; `tests.bench.psplib` reads the published ones.

What a project is measured against is found here as well: the critical path, and a plain model of the constraint solver
with nothing of `analysis` in it. Of projects that are short of resources the best makespan is not known; the better of
the two plans is only as good as the two are, so the gap to what is proven is given beside that to the better one.
"""

from __future__ import annotations

import random
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import cycle, product

from ortools.sat.python import cp_model

from tests.bench.shop_work import Json

COMPLEXITY, FACTOR, STRENGTH = (1.5, 1.8, 2.1), (0.25, 0.5, 0.75, 1.0), (0.2, 0.5, 0.7, 1.0)
HARD_FACTOR, HARD_STRENGTH = (0.75, 1.0), 0.2
JOBS, RESOURCES, LONGEST, LARGEST = 60, 4, 10, 10
ENDS = 3                            # jobs without a predecessor, and jobs without a successor
NEIGHBOURS = 3                      # successors of a job, and predecessors, at most
DRAWS = 200                         # networks begun before it is given up
NOW = datetime(2026, 3, 2, tzinfo=UTC)
Planner = Callable[[Json, float], tuple[Json, float]]       # problem and seconds to a checked plan and its seconds


@dataclass(frozen=True)
class Project:
    """Jobs by number: lengths in periods, predecessors, requests of each resource; and what there is of each."""

    name: str
    lengths: tuple[int, ...]
    after: tuple[tuple[int, ...], ...]
    requests: tuple[tuple[int, ...], ...]
    capacities: tuple[int, ...]


@dataclass(frozen=True)
class Found:
    """A makespan and what no plan is below, both in periods; the CPU seconds it took."""

    makespan: int
    bound: int
    busy: float = 0.0


def drawn(complexity: float, factor: float, strength: float, seed: int, jobs: int = JOBS) -> Project:
    """A project with these figures; raises ValueError for a network that cannot be drawn."""
    chance = random.Random(f"{complexity} {factor} {strength} {seed} {jobs}")
    after = network(chance, jobs, round(complexity * (jobs + 2)))
    lengths = tuple(chance.randint(1, LONGEST) for _ in range(jobs))
    requests = _requests(chance, jobs, factor)
    least = [max(row[one] for row in requests) for one in range(RESOURCES)]
    most = peaks(lengths, after, requests)
    capacities = tuple(max(1, low + round(strength * (high - low))) for low, high in zip(least, most, strict=True))
    return Project(f"NC {complexity} RF {factor} RS {strength} #{seed}", lengths, after, requests, capacities)


def hard(count: int) -> list[Project]:
    """Projects of the hard corner, its cells in turn."""
    cells = list(product(COMPLEXITY, HARD_FACTOR))
    return [drawn(nc, rf, HARD_STRENGTH, 1 + number // len(cells))
            for number, (nc, rf) in zip(range(count), cycle(cells))]


def spread(count: int) -> list[Project]:
    """Projects of the whole design, its cells shuffled so that any few of them differ in all figures."""
    cells = list(product(COMPLEXITY, FACTOR, STRENGTH))
    random.Random(1996).shuffle(cells)
    return [drawn(*cell, 101 + number // len(cells)) for number, cell in zip(range(count), cycle(cells))]


# -- drawing


def network(chance: random.Random, jobs: int, arcs: int) -> tuple[tuple[int, ...], ...]:
    """Predecessors of each job: so many arcs, those of source and sink counted, and none that others imply."""
    for _ in range(DRAWS):
        net = Network(chance, jobs)
        if net.connect() and net.fill(arcs - 2 * ENDS):
            return tuple(tuple(sorted(row)) for row in net.before)
    raise ValueError(f"No network of {jobs} jobs with {arcs} arcs was found in {DRAWS} draws.")


class Network:
    """A network under way: the first jobs start it, the last end it, and arcs go from lower to higher numbers."""

    def __init__(self, chance: random.Random, jobs: int) -> None:
        self.chance, self.jobs = chance, jobs
        self.before: list[set[int]] = [set() for _ in range(jobs)]
        self.then: list[set[int]] = [set() for _ in range(jobs)]
        self.above = [1 << job for job in range(jobs)]      # the job and all before it, as bits
        self.below = [1 << job for job in range(jobs)]

    def connect(self) -> bool:
        """Give each job a predecessor and a successor, those at the ends apart; False when one finds none."""
        for job in range(ENDS, self.jobs):
            if not self._one([(other, job) for other in range(min(job, self.jobs - ENDS))]):
                return False
        return all(self.then[job] or self._one([(job, other) for other in range(max(job + 1, ENDS), self.jobs)])
                   for job in range(self.jobs - ENDS - 1, -1, -1))

    def fill(self, arcs: int) -> bool:
        """Add arcs until there are so many; False when there are more or no more can be had."""
        pairs = [(one, other) for one in range(self.jobs - ENDS) for other in range(max(one + 1, ENDS), self.jobs)]
        while (have := sum(map(len, self.before))) < arcs:
            if not self._one(pairs):
                return False
        return have == arcs

    def _one(self, pairs: list[tuple[int, int]]) -> bool:
        """Add one of these arcs, whichever chance has first among those that may be."""
        while pairs:
            number = self.chance.randrange(len(pairs))
            pairs[number], pairs[-1] = pairs[-1], pairs[number]
            one, other = pairs.pop()
            if self._may(one, other):
                self._add(one, other)
                return True
        return False

    def _may(self, one: int, other: int) -> bool:
        """Whether an arc is neither one too many for its jobs, nor implied by others, nor makes another implied."""
        if len(self.then[one]) >= NEIGHBOURS or len(self.before[other]) >= NEIGHBOURS:
            return False
        if self.above[other] >> one & 1:
            return False
        return not any(self.above[one] >> job & 1 and self.below[other] >> end & 1
                       for job in range(one + 1) for end in self.then[job])

    def _add(self, one: int, other: int) -> None:
        self.before[other].add(one)
        self.then[one].add(other)
        above, below = self.above[one], self.below[other]
        for job in range(self.jobs):
            if below >> job & 1:
                self.above[job] |= above
            if above >> job & 1:
                self.below[job] |= below


def _requests(chance: random.Random, jobs: int, factor: float) -> tuple[tuple[int, ...], ...]:
    """What each job asks for: of one resource at least, and of so many that the share is as given."""
    asked = {(job, chance.randrange(RESOURCES)) for job in range(jobs)}
    rest = [pair for pair in product(range(jobs), range(RESOURCES)) if pair not in asked]
    asked |= set(chance.sample(rest, max(0, round(factor * jobs * RESOURCES) - jobs)))
    return tuple(tuple(chance.randint(1, LARGEST) if (job, one) in asked else 0 for one in range(RESOURCES))
                 for job in range(jobs))


# -- what a project is without its resources


def soonest(lengths: Sequence[int], after: Sequence[Sequence[int]]) -> list[int]:
    """The start of each job, in periods, if there were enough of everything; predecessors may have any number."""
    found: dict[int, int] = {}
    while len(found) < len(lengths):
        ready = [job for job, row in enumerate(after) if job not in found and all(one in found for one in row)]
        if not ready:
            raise ValueError("Jobs wait for each other in a circle.")
        for job in ready:
            found[job] = max((found[one] + lengths[one] for one in after[job]), default=0)
    return [found[job] for job in range(len(lengths))]


def critical_path(project: Project) -> int:
    """Periods that the longest path takes."""
    starts = soonest(project.lengths, project.after)
    return max(start + length for start, length in zip(starts, project.lengths, strict=True))


def peaks(lengths: Sequence[int], after: Sequence[Sequence[int]], requests: Sequence[Sequence[int]]) -> list[int]:
    """The most of each resource that is used at once when every job starts at its soonest."""
    starts = soonest(lengths, after)
    return [max(sum(row[one] for start, length, row in zip(starts, lengths, requests, strict=True)
                    if start <= at < start + length) for at in range(sum(lengths)))
            for one in range(len(requests[0]))]


# -- the two models


def problem_of(project: Project) -> Json:
    """The project as a planning problem: one order, a period a minute, resources that always work."""
    kinds = [f"R{number + 1}" for number in range(len(project.capacities))]
    return {
        "now": NOW.isoformat(), "grid_minutes": 1, "weights": {"makespan": 1},
        "resources": [{"id": kind, "kind": kind, "capacity": capacity}
                      for kind, capacity in zip(kinds, project.capacities, strict=True)],
        "orders": [{"id": "project", "operations": [
            {"id": f"job-{job + 1}", "minutes": length, "after": [f"job-{one + 1}" for one in project.after[job]],
             "needs": [{"kind": kind, "amount": amount}
                       for kind, amount in zip(kinds, project.requests[job], strict=True) if amount]}
            for job, length in enumerate(project.lengths)]}]}


def makespan_of(planned: Json) -> int:
    """Periods from the beginning to the end of the plan; raises ValueError when the project is not planned."""
    if set(planned["orders"]) != {"project"}:
        raise ValueError(f"The project is not planned: {planned['unscheduled']}")
    return (datetime.fromisoformat(planned["orders"]["project"]["end"]) - NOW) // timedelta(minutes=1)


def plain(project: Project, seconds: float, workers: int = 2) -> Found:
    """What the constraint solver finds by itself in that time: one interval a job, one sum a resource."""
    model, horizon = cp_model.CpModel(), sum(project.lengths)
    starts = [model.new_int_var(0, horizon - length, "") for length in project.lengths]
    jobs = [model.new_fixed_size_interval_var(start, length, "")
            for start, length in zip(starts, project.lengths, strict=True)]
    end = model.new_int_var(critical_path(project), horizon, "")
    for job, start in enumerate(starts):
        model.add(start + project.lengths[job] <= end)
        for one in project.after[job]:
            model.add(start >= starts[one] + project.lengths[one])
    for number, capacity in enumerate(project.capacities):
        model.add_cumulative(jobs, [row[number] for row in project.requests], capacity)
    model.minimize(end)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers, solver.parameters.max_time_in_seconds = workers, seconds
    began = time.process_time()
    found = solver.solve(model) in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return Found(round(solver.objective_value) if found else horizon,
                 max(critical_path(project), round(solver.best_objective_bound)), time.process_time() - began)


# -- beside each other


def beside_plain(projects: Sequence[Project], planned: Planner, seconds: float = 60) -> str:
    """Plans of 20 s beside those of the plain model, and beside what either proves."""
    gaps, others, above, proven, plainly, times, busy = [], [], [], 0, 0, [], []
    for project in projects:
        made, took = planned(problem_of(project), 20)
        own, other = makespan_of(made), plain(project, seconds)
        best, bound = min(own, other.makespan), max(critical_path(project), made["bound"], other.bound)
        if bound > best:
            raise ValueError(f"{project.name}: a makespan of {best} is below the bound {bound}.")
        gaps.append(100 * (own / best - 1))
        others.append(100 * (other.makespan / best - 1))
        above.append(100 * (own / bound - 1))
        proven += made["status"] == "optimal"
        plainly += other.makespan == other.bound
        times.append(took)
        busy.append(other.busy)
    return (f"{statistics.mean(gaps):.2f} % (mean), {max(gaps):.1f} % (worst) above the better of this and a plain "
            f"model (that by itself {statistics.mean(others):.2f} % in {seconds:.0f} s, CPU "
            f"{statistics.mean(busy):.0f} s), {statistics.mean(above):.1f} % above the best bound; {proven} of "
            f"{len(gaps)} proven ({plainly} by the plain model); {max(times):.1f} s at most")


def beside_known(projects: Sequence[tuple[Project, int | None]], planned: Planner) -> str:
    """Plans of 20 s beside the best known makespans, where they are given, and the critical path."""
    gaps, above, proven, times = [], [], 0, []
    for project, known in projects:
        made, took = planned(problem_of(project), 20)
        own = makespan_of(made)
        gaps += [] if known is None else [100 * (own / known - 1)]
        above.append(100 * (own / critical_path(project) - 1))
        proven += made["status"] == "optimal"
        times.append(took)
    beside = f"{statistics.mean(gaps):.2f} % (mean), {max(gaps):.1f} % (worst)" if gaps else "not known how far"
    return (f"{beside} above the best known of {len(gaps)} of {len(above)} projects, {statistics.mean(above):.1f} % "
            f"above the critical path; {proven} proven; {max(times):.1f} s at most")
