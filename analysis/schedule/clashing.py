"""The smallest set of facts that leave an order without a place.

Facts are what can be let go: validities, working time, pins, work in hand of others, pauses, lags, what an order keeps.
The set is found by QuickXplain (Junker, AAAI 2004, 167): it leaves no place though all other facts are let go, and
whichever one of it is let go beside them, there is a place, by the search of `oracle`.

Where what lapsed or was lost is enough of a reason, the hours that people work as ever are taken as given (`given`):
whoever lost a probe would hardly have called it a reason that nobody had worked on the Sunday before.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from analysis.schedule.crowded import BESIDE, Crowd
from analysis.schedule.fixed import Fixed, fix
from analysis.schedule.model import NEVER, Fact, Need, Operation, Problem
from analysis.schedule.oracle import Found, Known, place_all
from analysis.schedule.relax import EVER, Change, changed, gone

FEW = 4                             # resources of a need that are named one by one
MOST_ASKED = 60                     # questions for one order
LAPSING = ("usable", "skill", "pin", "taken", "hand")
HOURS = ("calendar", "pause")       # working time that is as ever, and what may not reach over its gaps


@dataclass(frozen=True)
class Term:
    """A fact, or one about several resources of a kind, with the changes that let it go.

    `gone` says of working time that it is that of something lost for good, and not hours as ever.
    """

    kind: str
    changes: tuple[Change, ...]
    facts: tuple[Fact, ...]
    gone: bool = False

    @property
    def scarce(self) -> bool:
        """Whether it is about something that lapsed, was lost or falls due."""
        return self.gone or self.kind in ("usable", "skill")


@dataclass
class Asked:
    """Asks whether a job has a place with some changes made, and counts the questions.

    `left` are those still to be asked; a question beyond them is not asked and counts as no. With a `crowd` the orders
    that are planned stand where they are.
    """

    problem: Problem
    operations: Sequence[int]
    left: int = MOST_ASKED
    out: frozenset[str] = frozenset()
    known: dict[frozenset[Change], Found] = field(default_factory=dict)
    places: Known = field(default_factory=dict)
    fixed: Fixed | None = None      # as it is without changes, from the first question on
    crowd: Crowd | None = None

    def found(self, changes: Sequence[Change], *, quick: bool = False) -> Found | None:
        """The places, None when no question is left; `quick` leaves alone what was placed without the changes."""
        name = frozenset([*changes, Change("quick", 0)] if quick else changes)
        if name not in self.known:
            if self.left <= 0:
                return None
            self.left -= 1
            self.known[name] = self._look(changes, quick)
        return self.known[name]

    def fits(self, changes: Sequence[Change]) -> bool:
        found = self.found(changes)
        return found is not None and found.whole

    def _look(self, changes: Sequence[Change], quick: bool = False, *, afresh: bool = False) -> Found:
        made = changed(self.problem, changes)
        fixed = fix(made)
        if self.crowd is not None:
            self.crowd.fill(fixed.timeline, changes)
        mine = {made.orders[made.operations[one].order].id for one in self.operations}
        found = place_all(made, fixed, self.operations, self.places,
                          None if afresh else self._before(fixed), quick=quick)
        if {entry.order for entry in made.left_out} - mine - self.out:
            found.lacking = found.lacking if found.lacking >= 0 else self.operations[-1]
        return found

    def _before(self, fixed: Fixed) -> Found | None:
        """The try without changes, where what is fixed stands as it did: changes only make room."""
        if self.fixed is None:
            self.fixed = fixed
        stands = all(self.fixed.bookings[one] == booking for one, booking in fixed.bookings.items()
                     if one in self.fixed.bookings)
        return self.known.get(frozenset()) if stands and fixed.bookings.keys() <= self.fixed.bookings.keys() else None


@dataclass
class Clash:
    """A set of facts, the operation that has no place for them, from when on, and which of its needs matter."""

    terms: list[Term]
    operation: int
    at: int
    needs: list[Need]
    whole: bool                     # whether the questions sufficed to make the set the smallest
    given: list[Term] = field(default_factory=list)     # facts in force that are taken for granted


def smallest(asked: Asked, fixed: Fixed) -> Clash | None:
    """The set for a job without a place, None when it has one beside what is fixed."""
    base = asked.found(())
    if base is None or base.whole:
        return None
    terms = sorted(terms_of(asked.problem, fixed, asked.operations, asked.crowd), key=lambda one: not one.scarce)
    near = [one for one in terms if _concerns(asked.problem, one, base.lacking)]
    far = [one for one in terms if one not in near]
    kept, given = _beside_others(asked, near, far) if asked.crowd is not None else _alone(asked, near, far)
    gone = [one for one in terms if one not in kept and one not in given]
    last = asked.found(_changes(gone)) or base
    index, at = (last.lacking, last.at) if not last.whole else (base.lacking, base.at)
    return Clash(kept, index, at, _needed(asked, index, gone), asked.left > 0, given)


def _alone(asked: Asked, near: list[Term], far: list[Term]) -> tuple[list[Term], list[Term]]:
    """The set beside what is fixed, and what is given: the hours where what is scarce has a part in a set without them.
    """
    own = [[one for one in some if one.gone or one.kind not in HOURS] for some in (near, far)]
    if any(one.scarce for one in own[0] + own[1]) and asked.fits(_changes(own[0] + own[1])):
        kept = _first_near(asked, *own)
        if any(one.scarce for one in kept):
            return kept, [one for one in near + far if not one.gone and one.kind in HOURS]
    return (_first_near(asked, near, far) if asked.fits(_changes(near + far)) else []), []


def _first_near(asked: Asked, near: list[Term], far: list[Term]) -> list[Term]:
    """A smallest set of the near facts where there is one, else of all of them."""
    if not asked.fits(_changes(far)):
        return _explained(asked, [], False, near, far)
    return _explained(asked, [], False, near + far, [])


def _beside_others(asked: Asked, near: list[Term], far: list[Term]) -> tuple[list[Term], list[Term]]:
    """First the fewest orders that stand in the way with all other facts in force, then what of these there must be.

    Orders that take nothing of what the operation without a place asks for are mostly let go with one question. Where
    validities and pins are enough to let go, working time and what the order keeps are taken as given.
    """
    others = [[one for one in some if one.kind == BESIDE] for some in (near, far)]
    if asked.fits(_changes(others[1])):
        orders = _explained(asked, [], False, others[0] + others[1], [])
    else:
        orders = _explained(asked, [], False, others[0], others[1])
    gone = [one for one in others[0] + others[1] if one not in orders]
    own = [one for one in near + far if one.kind != BESIDE]
    lapsing = [one for one in own if one.gone or one.kind in LAPSING]
    if asked.fits(_changes(lapsing + gone)):
        return _explained(asked, orders, False, lapsing, gone) + orders, [one for one in own if one not in lapsing]
    return _explained(asked, orders, False, own, gone) + orders, []


def _changes(terms: Sequence[Term]) -> list[Change]:
    return [change for term in terms for change in term.changes]


def _explained(asked: Asked, stands: list[Term], grown: bool, among: list[Term], gone: list[Term]) -> list[Term]:
    """QuickXplain: a smallest part of `among` that leaves no place together with `stands`, all else let go."""
    if grown:
        found = asked.found(_changes(among + gone))
        if found is None:
            return among                # no question left: rather too many facts than too few
        if not found.whole:
            return []
    if len(among) <= 1:
        return among
    half = len(among) // 2
    one, two = among[:half], among[half:]
    from_two = _explained(asked, stands + one, True, two, gone)
    rest = [term for term in two if term not in from_two]
    from_one = _explained(asked, stands + from_two, bool(from_two), one, gone + rest)
    return from_one + from_two


def _needed(asked: Asked, index: int, gone: list[Term]) -> list[Need]:
    """The needs of an operation without any of which it would have a place."""
    operation, kept = asked.problem.operations[index], list[Need]()
    if len(operation.needs) < 2:
        return list(operation.needs)
    for need in operation.needs:
        whole, operation.needs = operation.needs, tuple(one for one in operation.needs if one is not need)
        found = asked._look(_changes(gone), afresh=True) if asked.left > 0 else None
        asked.left -= 1
        operation.needs = whole
        if found is not None and (found.whole or index in found.bookings):
            kept.append(need)
    return kept or list(operation.needs)


def _concerns(problem: Problem, term: Term, index: int) -> bool:
    """Whether a fact touches the operation itself or what it needs."""
    operation = problem.operations[index]
    able = {one.resource for need in operation.needs for one in need.candidates}
    if term.kind == BESIDE:
        return any(fact.kind == "resource" and fact.id in {problem.resources[one].id for one in able}
                   for fact in term.facts)
    return term.kind in ("taken", "hand", "order_pin", "hold", "release") or any(
        change.subject in able if change.kind in ("usable", "skill", "calendar") else change.subject == index
        for change in term.changes)


def terms_of(problem: Problem, fixed: Fixed, operations: Sequence[int], crowd: Crowd | None = None) -> Iterator[Term]:
    """Every fact that may stand in the way of a job; with a crowd each of the orders that are planned is one."""
    mine = [problem.operations[one] for one in operations if problem.operations[one].state == "planned"]
    yield from _own(problem, mine)
    yield from _of_resources(problem, mine)
    able = {one.resource for operation in mine for need in operation.needs for one in need.candidates}
    for change, order, shared in crowd.beside(able) if crowd is not None else ():
        yield Term(BESIDE, (change,), (order, *(Fact("resource", problem.resources[one].id) for one in sorted(shared))))
    for index, booking in fixed.bookings.items():
        other = problem.operations[index]
        if index in operations or other.state == "done" or not able.intersection(booking.resources):
            continue
        facts = (Fact("order", problem.orders[other.order].id), Fact("operation", other.id),
                 *(Fact("resource", problem.resources[one].id) for one in booking.resources if one in able))
        if other.state == "planned":
            yield Term("taken", (Change("pin", index),), (Fact("pin", other.id), *facts))
        elif booking.end > problem.now:
            yield Term("hand", (Change("hand", index),), facts)


def _own(problem: Problem, mine: Sequence[Operation]) -> Iterator[Term]:
    """What the job itself asks for."""
    for operation in mine:
        fact = Fact("operation", operation.id)
        if operation.pin_start is not None or operation.pin_resources:
            yield Term("pin", (Change("pin", operation.index),), (Fact("pin", operation.id), fact))
        if any(lag for _, lag in operation.after):
            yield Term("lag", (Change("lag", operation.index),), (fact,))
        closes = any(problem.spans(one.resource) is not None for need in operation.needs for one in need.candidates)
        if operation.length and not operation.may_pause and closes:
            yield Term("pause", (Change("pause", operation.index),), (fact,))
    for order in dict.fromkeys(one.order for one in mine):
        fact = Fact("order", problem.orders[order].id)
        if problem.orders[order].release > problem.now:
            yield Term("release", (Change("release", order),), (fact,))
        if any(need.group >= 0 for one in mine if one.order == order for need in one.needs):
            yield Term("hold", (Change("hold", order),), (fact,))


def _of_resources(problem: Problem, mine: Sequence[Operation]) -> Iterator[Term]:
    """Validities and working time: of each resource where a need has few of them, else of all of a kind together."""
    needs = {(need.kind, need.any_of, need.skill): need for one in mine for need in one.needs}.values()
    named = {one.resource for need in needs if len(need.candidates) <= FEW for one in need.candidates}
    found: dict[tuple[str, str, int, bool], list[Change]] = {}

    def add(kind: str, among: str, change: Change, lost: bool = False) -> None:
        found.setdefault((kind, among, change.subject if change.subject in named else -1, lost), []).append(change)

    for index in dict.fromkeys(one.resource for need in needs for one in need.candidates):
        resource = problem.resources[index]
        if abs(resource.usable[0]) < NEVER or abs(resource.usable[1]) < NEVER:
            add("usable", resource.kind, Change("usable", index))
        if resource.calendar is not None:
            add("calendar", resource.kind, Change("calendar", index), gone(problem, index))
    skilled = {(need.skill, one.resource): None for need in needs if need.skill for one in need.candidates}
    for skill, index in skilled:
        if problem.resources[index].skills[skill or ""] != EVER:
            add("skill", skill or "", Change("skill", index, skill=skill or ""))
    for (kind, among, _, lost), changes in found.items():
        facts = [Fact("resource", problem.resources[one.subject].id) for one in changes]
        yield Term(kind, tuple(changes), (*([Fact("skill", among)] if kind == "skill" else []), *facts), lost)
