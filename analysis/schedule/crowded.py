"""Orders that have a place alone and none beside the orders planned: who stands in the way, and what of them is taken.

The other orders stand where the first plan has them, each a fact of its own, `beside`, that can be let go. A change is
planned with all orders before it is offered, so few are tried in a large shop: `plans_for` says how many.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from analysis.schedule import fields as f
from analysis.schedule.build import Builder
from analysis.schedule.fixed import Fixed, fix
from analysis.schedule.model import Booking, Fact, Problem
from analysis.schedule.place import Timeline, Use, booked
from analysis.schedule.problem import read
from analysis.schedule.relax import OF_RESOURCES, Change, changed
from analysis.schedule.serial import Scheme, best_rule, edd

BESIDE, AFTER = "beside", "after"      # an order of the crowd let go, and begun no sooner than an instant
MOST_PLANS, OPERATIONS_PLANNED = 24, 12_000     # plans with all orders, and how many operations they may have together
Spans = list[tuple[int, int]]


@dataclass(frozen=True)
class Tried:
    """A plan of the rules: bookings of the operations that have a place, and the orders that have none.

    `whole` says that all orders are in it; else it is one of those with something fixed and of some left out.
    """

    bookings: dict[int, Booking]
    left: set[str]
    whole: bool = True


def tried(problem: Problem, *, best: bool = False) -> Tried:
    """A plan of the scheme: by due date if that loses no order, else or where asked for by the best of the rules.

    Orders left out already count as lost.
    """
    fixed = fix(problem)
    scheme = Scheme(Builder(problem, fixed, problem.weights))
    board, _, lost = scheme.decoded(edd(scheme))
    return _read_off(problem, fixed, scheme, best_rule(scheme)[0] if best or lost else board)


def _read_off(problem: Problem, fixed: Fixed, scheme: Scheme, board: f.Ints) -> Tried:
    """What stands on a board."""
    placed = f.table(board, f.JOB_PLACED, len(scheme.jobs.orders))
    pointer, picks = int(scheme.shop[f.OP_SLOT_PTR]), int(board[f.PICK])
    bookings, left = dict(fixed.bookings), {one.order for one in problem.left_out}
    for job, operations in enumerate(scheme.jobs.operations):
        if not placed[job]:
            left |= {problem.orders[one].id for one in scheme.jobs.orders[job]}
            continue
        for index in operations:
            if index not in bookings:
                low, high = (int(scheme.shop[pointer + one]) for one in (index, index + 1))
                bookings[index] = Booking(int(board[board[f.OP_START] + index]), int(board[board[f.OP_END] + index]),
                                          tuple(int(one) for one in board[picks + low:picks + high]))
    return Tried(bookings, left)


@dataclass
class Crowd:
    """The orders that are planned, by number: id, what each takes of a resource, and whether it may begin later.

    `whole` is the problem with every order that can be read, also with those left out; `left` are the plans of it that
    may still be made.
    """

    whole: Problem
    ids: list[str]
    taken: list[dict[int, list[Use]]]
    begins: list[int]
    movable: list[bool]
    left: int
    out: frozenset[str] = frozenset()
    made: dict[frozenset[Change], Tried | None] = field(default_factory=dict)

    def fill(self, timeline: Timeline, changes: Iterable[Change]) -> None:
        """Take what the orders take, except those that are let go."""
        gone = {change.subject for change in changes if change.kind == BESIDE}
        for number, taken in enumerate(self.taken):
            if number not in gone:
                for resource, uses in taken.items():
                    timeline.uses.setdefault(resource, []).extend(uses)

    def beside(self, able: set[int]) -> Iterator[tuple[Change, Fact, set[int]]]:
        """Each order that takes one of the resources: how to let it go, its name, and what of them it takes."""
        for number, taken in enumerate(self.taken):
            shared = able & taken.keys()
            if shared:
                yield Change(BESIDE, number), Fact("order", self.ids[number]), shared

    def planned(self, problem: Problem, change: Change) -> Tried | None:
        """The plan with all orders, those left out among them, and a change of `problem` made; None when none is left.
        """
        own = self._own(problem, change)
        name = frozenset([own])
        if name not in self.made:
            if self.left <= 0:
                return None
            self.left -= 1
            self.made[name] = tried(changed(self.whole, [own]))
        return self.made[name]

    def _own(self, problem: Problem, change: Change) -> Change:
        """The change with the index that its subject has in the whole problem."""
        if change.kind in OF_RESOURCES:
            return change
        if change.kind == AFTER:
            return replace(change, kind="release", subject=self._whole_order(self.ids[change.subject]))
        if change.kind in ("hold", "release"):
            return replace(change, subject=self._whole_order(problem.orders[change.subject].id))
        name = problem.operations[change.subject].id
        return replace(change, subject=next(one.index for one in self.whole.operations if one.id == name))

    def _whole_order(self, name: str) -> int:
        return next(one.index for one in self.whole.orders if one.id == name)


def crowd_of(raw: Mapping[str, Any], problem: Problem) -> Crowd:
    """The orders of the first plan of a problem, whose orders left out are known."""
    trial = changed(problem, ())
    bookings = tried(trial, best=True).bookings
    fixed = fix(changed(problem, ()))
    whole = read(raw, short=True)
    crowd = Crowd(whole, [], [], [], [], plans_for(whole), frozenset(one.order for one in problem.left_out))
    taken = _taken_by(problem, bookings, fixed)
    for order in problem.orders:
        if taken.get(order.index) and order.id not in crowd.out:
            crowd.ids.append(order.id)
            crowd.taken.append(taken[order.index])
            crowd.begins.append(min(bookings[one].start for one in order.operations))
            crowd.movable.append(not any(one in fixed.bookings for one in order.operations))
    return crowd


def plans_for(problem: Problem) -> int:
    """How many plans with all orders may be made for explanations."""
    return max(2, min(MOST_PLANS, OPERATIONS_PLANNED // max(1, len(problem.operations))))


def _taken_by(problem: Problem, bookings: dict[int, Booking], fixed: Fixed) -> dict[int, dict[int, list[Use]]]:
    """By order what it takes from now on, without what is fixed, which is on the timeline anyway."""
    found: dict[int, dict[int, list[Use]]] = {}
    for resource, uses in booked(problem, bookings).uses.items():
        for use in uses:
            order = problem.operations[use.operation].order
            start = max([use.start, problem.now, *(one.end for one in fixed.timeline.uses.get(resource, ())
                                                  if problem.operations[one.operation].order == order)])
            if (use.operation in fixed.bookings and not use.hold) or start > use.end or use.end < problem.now:
                continue
            # Not as a hold: the orders asked about are others, and the operation is none of theirs.
            found.setdefault(order, {}).setdefault(resource, []).append(Use(start, use.end, use.amount, -1))
    return {order: {one: _joined(uses) if problem.resources[one].capacity == 1 else uses
                    for one, uses in taken.items()} for order, taken in found.items()}


def _joined(uses: Sequence[Use]) -> list[Use]:
    """Uses that touch as one; moments stay by themselves."""
    made: list[Use] = []
    for use in sorted(uses, key=lambda one: (one.start, one.end)):
        if made and made[-1].end == use.start and made[-1].start < made[-1].end and use.start < use.end:
            made[-1] = replace(made[-1], end=use.end)
        else:
            made.append(use)
    return made
