"""Search for a better plan: a fixed amount of work, a seed, and a limit of time that only ever cuts it short.

Two searches run side by side, each with random numbers of its own, and meet when each has done as much. With few jobs
the one whose plan costs more goes on from the plan of the other there. With many, each has had a part of the time for
itself, and both go on from what they found together; but not to mend a plan, since what is to be mended lies within a
few days. What comes of it follows from problem, steps and seed alone, whether or not the machine has a core for each.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from analysis.schedule import fields as f
from analysis.schedule.fields import Flags, Floats, Ints, Words
from analysis.schedule.kernel_choose import draw
from analysis.schedule.kernel_search import adopt, anneal, take_over
from analysis.schedule.serial import Scheme

LOOKS = 1000                        # at bookings, in a step of an effort; mostly that is about one step of the search
CHUNK = 100 * LOOKS                 # between two glances at the clock
STEPS_A_SECOND = 5500               # on a slow machine
SIDE_BY_SIDE = 2
MEETINGS = 24
MEETINGS_OF_MENDING = 4             # seldom, so that the two do not soon search around the same plan
ROUNDS_OF_MENDING = 3               # searches from the plan in force; the best one goes on for as many steps as one has
SEEDS_APART = 1000                  # so that searches with seeds in a row are others
DEAR_SHARE = 0.4                    # of the steps that mend: those in which moves are dearer than they are
APART = 100                         # jobs from which on each search has a part of the time for itself
CUTS = (0.3, 0.7)                   # of the costs, where the time may be cut
SHARES = 6                          # in an effort
NEVER = np.array([-f.FAR, f.FAR])   # bounds that are none


@dataclass(frozen=True)
class Effort:
    """How hard to try: for `steps` of so many `LOOKS` each, whatever number of jobs is moved by then.

    `most` jobs are taken off at once; `keep_share` of placings ask for the plan in force first.

    `shares` are: of steps, those that take off what one resource has in a row; of placings, those that start later than
    they could, and those that begin with other candidates; of steps, those that put one job where others stand; of jobs
    pushed aside by that, those that push others aside in turn; of placings, those whose operations may start earlier
    than in the plan in force when they cannot stand as they do there.
    """

    steps: int
    seed: int
    most: int = 5
    keep_share: float = 0.0
    shares: tuple[float, ...] = (0.5, 0.05, 0.05, 0.0, 0.0, 0.0)
    heat: tuple[float, float] = (0.3, 0.01)         # temperature at first and last, as a share of the mean job's cost
    meetings: int = MEETINGS                        # of two searches with all jobs each
    dear: float = 1.0                               # how many times their price moves cost at first when mending

    def __post_init__(self) -> None:
        """What is compiled does not look how many shares there are: with too few it would read what lies behind."""
        if len(self.shares) != SHARES:
            raise ValueError(f"An effort has {SHARES} shares, not {len(self.shares)}.")


@dataclass
class _Walk:
    """One of the searches: the plan it is at, the best it has seen, what each costs, and its random numbers.

    It moves its members alone, and those not beyond its bounds.
    """

    board: Ints
    costs: Floats
    kept: Ints
    best: Ints
    state: Words
    levels: Floats
    changed: Flags
    members: Ints
    bounds: Ints = field(default_factory=NEVER.copy)
    done: int = field(default=0)

    def go(self, search: _Search, upto: int) -> None:
        """Go on up to look number `upto`, not as far when nothing is left to gain or the time is over."""
        scheme, effort = search.scheme, search.effort
        if not self.costs[self.members].any():
            self.done = upto        # nothing to gain here, whatever the other does
        while self.done < upto and self.levels[1] > 0 and not search.over():
            then = min(upto, self.done + CHUNK)
            self.done = anneal(
                scheme.shop, self.board, scheme.rates, self.costs, self.kept, self.best, self.state,
                np.array([self.done, then, effort.steps * LOOKS]), search.heat, min(effort.most, len(self.members)),
                effort.keep_share, self.levels, self.changed, self.members, self.bounds)

    def follow(self, other: _Walk) -> None:
        """Go on from the plan that the other is at."""
        self.board[:], self.costs[:], self.levels[0] = other.board, other.costs, other.levels[0]
        self.changed[:] = True

    def begin(self, members: Ints, bounds: Ints) -> None:
        """Go on with these members, the plan at hand being the best so far."""
        self.members, self.bounds, self.levels[1] = members, bounds, self.levels[0]
        self.best[:], self.changed[:] = self.board, False


@dataclass
class _Search:
    """What all walks have in common."""

    scheme: Scheme
    effort: Effort
    heat: Floats
    over: Callable[[], bool]


def improve(scheme: Scheme, board: Ints, costs: Floats, effort: Effort,
            over: Callable[[], bool], *, beside: int = SIDE_BY_SIDE) -> tuple[Ints, Floats, int]:
    """The best plan found from `board` on, its costs by job, and how many steps were made before `over` said stop.

    So many searches run `beside` each other. The plan that comes back holds places alone, no bookings: it is no board
    to go on from.
    """
    cost = scheme.cost(board, costs)
    jobs = len(scheme.jobs.orders)
    placed = np.flatnonzero(f.table(board, f.JOB_PLACED, jobs))
    if len(placed) < 2 or cost <= 0:
        return board, costs, 0
    heat = np.array([*(np.array(effort.heat) * cost / len(placed)), *effort.shares])
    search = _Search(scheme, effort, heat, over)
    walks = [_Walk(board.copy(), costs.copy(), board.copy(), board.copy(), state_of(effort.seed, number),
                   np.array([cost, cost]), np.zeros(jobs, np.bool_), placed) for number in range(beside)]
    with ThreadPoolExecutor(beside) as pool:
        if beside == 2 and len(placed) >= APART and not effort.keep_share and scheme.rates[f.SPAN_RATE] <= 0:
            best = _apart(search, walks, placed, pool)
        else:
            best = _together(search, walks, pool)
    return best, scheme.costs_of(best), min(walk.done for walk in walks) // LOOKS


def mend(scheme: Scheme, board: Ints, costs: Floats, effort: Effort, over: Callable[[], bool]
         ) -> tuple[Ints, Floats, int]:
    """The best plan found from one in force, as `improve` gives it: of several searches, the best of which goes on.

    An order that has lost its place pushes another one out and that one the next. Which of them have to wait is soon
    settled in a search, now well and now badly, and hardly ever changed after that, so it is settled several times.
    """
    found, done, parts = (board, costs), 0, ROUNDS_OF_MENDING + 1
    for number in range(parts):
        steps = effort.steps * (number + 1) // parts - effort.steps * number // parts
        part = replace(effort, steps=steps, seed=effort.seed + number * SEEDS_APART)
        if number < ROUNDS_OF_MENDING:
            made, by_job, more = _mended_once(scheme, board, part, over)
        else:
            made, by_job, more = improve(scheme, *_stood_up(scheme, found[0]), part, over)
        found, done = min([found, (made, by_job)], key=lambda one: scheme.cost(*one)), done + more
        if over() or scheme.cost(*found) <= 0:
            break
    return *found, done


def _mended_once(scheme: Scheme, board: Ints, effort: Effort, over: Callable[[], bool]) -> tuple[Ints, Floats, int]:
    """The same of one search: first with moves dearer than they are.

    That keeps the first steps, when it is hot, from scattering what could have stayed, which they seldom find again.
    """
    dear, first = scheme.priced(effort.dear), replace(effort, steps=round(effort.steps * DEAR_SHARE))
    made, _, done = improve(dear, board.copy(), dear.costs_of(board), first, over)
    rest = replace(effort, steps=effort.steps - first.steps, seed=effort.seed + 1)
    again, costs, more = improve(scheme, *_stood_up(scheme, made), rest, over)
    return *min([(made, scheme.costs_of(made)), (again, costs)], key=lambda one: scheme.cost(*one)), done + more


def _stood_up(scheme: Scheme, made: Ints) -> tuple[Ints, Floats]:
    """A board to go on from, and its costs, for a plan that holds places alone."""
    board, costs = scheme.empty.copy(), scheme.costs_of(made)
    adopt(scheme.shop, board, scheme.rates, costs, np.arange(len(costs)), made)
    return board, costs


def improve_anew(scheme: Scheme, board: Ints, costs: Floats, efforts: Sequence[Effort],
                 over: Callable[[], bool]) -> tuple[Ints, Floats]:
    """The best plan of searches one after the other, on one core, each from the same plan; until one costs nothing.

    A search that ends in a plan it cannot leave seldom ends there again with other random numbers.
    """
    found = board, costs
    for effort in efforts:
        made, by_job, _ = improve(scheme, board.copy(), costs.copy(), effort, over, beside=1)
        if scheme.cost(made, by_job) < scheme.cost(*found):
            found = made, by_job
        if scheme.cost(*found) <= 0 or over():
            break
    return found


def _together(search: _Search, walks: list[_Walk], pool: ThreadPoolExecutor) -> Ints:
    """All walks with all jobs; where they meet, all go on from the plan that costs least."""
    for meeting in range(1, search.effort.meetings + 1):
        _all_go(search, walks, pool, meeting / search.effort.meetings)
        if search.over() or any(walk.levels[1] <= 0 for walk in walks):
            break
        ahead = min(walks, key=lambda walk: float(walk.levels[0]))
        for walk in walks:
            if walk is not ahead and walk.levels[0] > ahead.levels[0]:
                walk.follow(ahead)
    return min(walks, key=lambda walk: float(walk.levels[1])).best


def _apart(search: _Search, walks: list[_Walk], placed: Ints, pool: ThreadPoolExecutor) -> Ints:
    """Two walks, one before and one after an instant that is another one each time, whose gains add up.

    A job that stands on both sides of the instant stays where it is. The cost of the plan is the sum of those of its
    jobs, so what the two have found goes into one plan where they meet.
    """
    early, late = walks
    best, least, jobs = early.best.copy(), float(early.levels[0]), len(early.costs)
    for meeting in range(1, MEETINGS + 1):
        cut = _cut(early, placed)
        start, end = (f.table(early.board, one, jobs)[placed] for one in (f.JOB_START, f.JOB_END))
        early.begin(placed[end <= cut], np.array([-f.FAR, cut]))
        late.begin(placed[start >= cut], np.array([cut, f.FAR]))
        _all_go(search, walks, pool, meeting / MEETINGS)
        found = early.best.copy()
        take_over(search.scheme.shop, late.best, late.members, found)
        cost = search.scheme.cost(found, search.scheme.costs_of(found))
        if cost < least - 1e-9:
            best, least = found, cost
        adopt(search.scheme.shop, early.board, search.scheme.rates, early.costs, late.members, late.board)
        early.levels[0] = search.scheme.cost(early.board, early.costs)
        if search.over() or least <= 0:
            break
        late.follow(early)
    return best


def _cut(walk: _Walk, placed: Ints) -> int:
    """An instant before which about half of the costs lie, now less and now more of them."""
    start = f.table(walk.board, f.JOB_START, len(walk.costs))[placed]
    share = CUTS[0] + (CUTS[1] - CUTS[0]) * draw(walk.state)
    ranked = np.argsort(start, kind="stable")
    costs = np.cumsum(walk.costs[placed][ranked] + walk.costs[placed].mean())
    return int(start[ranked[np.searchsorted(costs, share * costs[-1])]])


def _all_go(search: _Search, walks: list[_Walk], pool: ThreadPoolExecutor, share: float) -> None:
    for _ in pool.map(partial(_Walk.go, search=search, upto=round(search.effort.steps * LOOKS * share)), walks):
        pass        # read through, so that what one of them raises is raised here


def state_of(seed: int, number: int) -> Words:
    """Where the random numbers begin: of the first search as the seed says, of the others somewhere else."""
    return np.array([(seed * 0x9E3779B97F4A7C15 + 0x1234567887654321 + number * 0xD1B54A32D192ED03) % 2**64 or 1],
                    np.uint64)


def steps_within(seconds: float, jobs: int) -> int:
    """How many steps are done in most of the time on a core of its own."""
    return int(seconds * STEPS_A_SECOND) if jobs > 1 else 0
