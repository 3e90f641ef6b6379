"""Whether an order has a place beside what is fixed alone, one operation after the other: the quick question.

The other orders that can move are not there. What an order keeps is tried resource by resource, and its start is put
off where somebody else needs in between what it keeps. The answer no is that of this search, not a proof.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations, islice, product

from analysis.schedule.calendars import clipped
from analysis.schedule.fixed import Fixed, pinned_slots, slots
from analysis.schedule.model import DAY, NEVER, Booking, Need, Operation, Problem, Spans
from analysis.schedule.place import Timeline, Use, choices, stretches

MOST_WAYS = 12                      # choices of what the order keeps
MOST_LATER = 4                      # times that its start is put off
MOST_CHOICES = 6                    # of resources, for one that may pause: without pauses all end alike
SOON = 2 * DAY                      # a place is mostly within
MOST_STARTS = 3                     # looked at after the first that will do


class Standing:
    """Working time and fixed uses of one resource, as part of a name: the hash of so much is worked out once."""

    def __init__(self, value: tuple[Spans | None, tuple[Use, ...]]) -> None:
        self.value, self.digest = value, hash(value)

    def __hash__(self) -> int:
        return self.digest

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Standing) and self.digest == other.digest and self.value == other.value


@dataclass
class Shop:
    """A problem with what is fixed in it, and the places found before, by all that they depend on."""

    problem: Problem
    fixed: Fixed
    known: Known
    standings: dict[int, Standing] = field(default_factory=dict)

    def standing(self, resource: int) -> Standing:
        """What there is of a resource before the operations asked about take any of it."""
        if resource not in self.standings:
            uses = tuple(self.fixed.timeline.uses.get(resource, ()))
            self.standings[resource] = Standing((self.problem.spans(resource), uses))
        return self.standings[resource]

    def taken(self, timeline: Timeline, resource: int) -> tuple[Use, ...]:
        """What they have taken of it since."""
        return tuple(timeline.uses.get(resource, ())[len(self.fixed.timeline.uses.get(resource, ())):])


Known = dict[Hashable, Booking | None]
Kept = dict[tuple[int, int], int]


@dataclass
class Found:
    """Places of the operations up to the first that has none; `at` is from when on that one was looked for.

    `kept` and `begin` tell the way: what the order keeps, and from when on it was placed.
    """

    bookings: dict[int, Booking]
    lacking: int = -1
    at: int = 0
    kept: Kept = field(default_factory=dict)
    begin: int = -NEVER

    @property
    def whole(self) -> bool:
        return self.lacking < 0


def place_all(problem: Problem, fixed: Fixed, operations: Sequence[int], known: Known,
              before: Found | None = None, *, quick: bool = False) -> Found:
    """Place operations, given in an order that respects `after`, beside the fixed ones; the furthest try if none.

    `known` is filled with places, for questions about the same operations that follow. `before` is a try with stricter
    facts and the same fixed bookings: what it placed is left where it is, as long as that leads to a place, and with
    `quick` nothing else is tried.
    """
    shop = Shop(problem, fixed, known)
    if before is not None and before.bookings:
        found, _ = _try(shop, operations, before)
        if found.whole or quick:
            return found
    best: Found | None = None
    for kept in islice(_ways(problem, fixed, operations), MOST_WAYS):
        begin = -NEVER
        for _ in range(MOST_LATER):
            found, later = _try(shop, operations, Found({}, kept=kept, begin=begin))
            if found.whole:
                return found
            if best is not None and _alike(problem, best, found):
                return best
            if best is None or len(found.bookings) > len(best.bookings):
                best = found
            if later is None or later <= begin:
                break
            begin = later
    if best is None:        # nothing that all of its operations could keep: where it fails shows the last of them
        best = _try(shop, operations, Found({}))[0]
        best.lacking = operations[-1] if best.whole else best.lacking
        best.bookings = {}
    return best


def _alike(problem: Problem, one: Found, two: Found) -> bool:
    """Whether two ways fail alike at an operation that uses nothing of what the order keeps: others will not do."""
    return (one.lacking, one.at) == (two.lacking, two.at) and all(
        need.group < 0 for need in problem.operations[one.lacking].needs)


def _ways(problem: Problem, fixed: Fixed, operations: Sequence[int]) -> Iterator[Kept]:
    """Which resource the order keeps for each held slot, those that are fixed given."""
    given: Kept = {}
    able: dict[tuple[int, int], list[int]] = {}
    for index in operations:
        operation, booking = problem.operations[index], fixed.bookings.get(index)
        for slot, (key, need) in enumerate(_keyed(operation)):
            if key[0] < 0:
                continue
            mine = [one.resource for one in need.candidates]
            if booking is not None and slot < len(booking.resources):
                given[key] = booking.resources[slot]
            elif booking is None:
                able[key] = [one for one in able.get(key, mine) if one in mine]
    open_keys = [key for key in able if key not in given]
    if not open_keys:
        yield given
        return
    for chosen in product(*(able[key] for key in open_keys)):
        if all(one[1] != two[1] or one[0][0] != two[0][0]
               for one, two in combinations(zip(open_keys, chosen, strict=True), 2)):
            yield given | dict(zip(open_keys, chosen, strict=True))


def _keyed(operation: Operation) -> list[tuple[tuple[int, int], Need]]:
    """The needs slot by slot, with the group and the member of it that each is."""
    return [((need.group, need.member + one), need) for need in operation.needs for one in range(need.count)]


def _narrowed(operation: Operation, kept: Kept) -> Operation | None:
    """The operation with what its order keeps and what it is pinned to as the only candidates, None if these differ."""
    pinned = pinned_slots(operation) if operation.pin_resources else [-1] * operation.slots
    if pinned is None:
        return None
    needs = []
    for (key, need), pin in zip(_keyed(operation), pinned, strict=True):
        only = {one for one in (kept.get(key, -1), pin) if one >= 0}
        if len(only) > 1:
            return None
        able = tuple(one for one in need.candidates if not only or one.resource in only)
        needs.append(replace(need, count=1, candidates=able))
    narrowed = any(kept.get(key, -1) >= 0 for key, _ in _keyed(operation)) or operation.pin_resources
    return replace(operation, needs=tuple(needs)) if narrowed else operation


def _try(shop: Shop, operations: Sequence[int], way: Found) -> tuple[Found, int | None]:
    """One way, with the places it has already: what it places, and from when on another try may do better."""
    problem, fixed = shop.problem, shop.fixed
    found = Found({}, kept=way.kept, begin=way.begin)
    own = Timeline(problem, {one: list(uses) for one, uses in fixed.timeline.uses.items()})
    since: dict[tuple[int, int, int], int] = {}
    for index in operations:
        operation = problem.operations[index]
        waits = [(fixed.bookings.get(one) or found.bookings[one]).end + lag for one, lag in operation.after]
        at = max([problem.now, problem.orders[operation.order].release, way.begin, *waits])
        booking = fixed.bookings.get(index) or way.bookings.get(index)
        if booking is None:
            narrowed = _narrowed(operation, way.kept)
            booking = None if narrowed is None else _place(shop, own, narrowed, at)
        if booking is None:
            found.lacking, found.at = index, at
            return found, None
        found.bookings[index] = booking
        if index in fixed.bookings:
            for (key, _), resource in zip(_keyed(operation), booking.resources, strict=False):
                if operation.state == "planned":
                    since[(*key, resource)] = min(since.get((*key, resource), booking.start), booking.start)
            continue
        clash = _taken(fixed, own, operation, booking, since)
        if clash is not None:
            del found.bookings[index]
            found.lacking, found.at = index, at
            return found, clash.end
    return found, None


def _taken(fixed: Fixed, own: Timeline, operation: Operation, booking: Booking,
           since: dict[tuple[int, int, int], int]) -> Use | None:
    """Take what the booking takes, or tell what lies between the first use of what the order keeps and this one."""
    problem = own.problem
    for (key, need), resource in zip(_keyed(operation), booking.resources, strict=True):
        if key[0] >= 0:
            begin = since[(*key, resource)] = min(since.get((*key, resource), booking.start), booking.start)
            clash = fixed.timeline.clash(resource, max(begin, problem.now), booking.end, need.amount, operation.order)
            if clash is not None:
                return clash
        if key[0] < 0 or problem.resources[resource].kind == "person":      # who is kept does one thing at a time
            for start, end in stretches(problem, operation, booking):
                own.take(resource, Use(start, end, need.amount, operation.index))
    return None


def latest(problem: Problem, fixed: Fixed, index: int) -> int:
    """By when an operation has to end for the pins that wait for it."""
    pinned = [one for one in problem.operations if one.pin_start is not None and one.state == "planned"]
    return min((_start(fixed, later) - lag for later in pinned for before, lag in later.after
                if before == index), default=NEVER)


def _start(fixed: Fixed, later: Operation) -> int:
    return fixed.bookings[later.index].start if later.index in fixed.bookings else later.pin_start or 0


def _place(shop: Shop, timeline: Timeline, operation: Operation, at: int) -> Booking | None:
    """A pin where it is, anything else at its earliest; None where that is later than it has to end."""
    name, known = _name(shop, timeline, operation, at), shop.known
    if name not in known:
        if operation.pin_start is None:
            known[name] = _soonest(timeline, operation, at)
        else:
            known[name] = None if operation.pin_start < at else next(
                choices(timeline, operation, operation.pin_start), None)
    booking = known[name]
    until = latest(shop.problem, shop.fixed, operation.index)
    return booking if booking is not None and booking.end <= until else None


def _name(shop: Shop, timeline: Timeline, operation: Operation, at: int) -> Hashable:
    """All that the place of an operation depends on."""
    return (operation.index, at, operation.pin_start, operation.may_pause, tuple(
        (need.count, need.group, tuple((one.resource, one.lo, one.hi, shop.standing(one.resource),
                                        shop.taken(timeline, one.resource)) for one in need.candidates))
        for need in operation.needs))


def _soonest(timeline: Timeline, operation: Operation, at: int) -> Booking | None:
    """The booking with the earliest end, among a few for each start and a few starts where it may pause."""
    best: Booking | None = None
    more = MOST_STARTS
    for lo, hi in ((at, at + SOON), (at + SOON, NEVER)):
        if best is None and lo > at and not _could(timeline.problem, operation, at):
            return None
        for start in _moments(timeline, operation, lo, hi):
            if best is not None and (start + operation.length >= best.end or more == 0):
                return best
            more -= best is not None
            for booking in islice(choices(timeline, operation, start), MOST_CHOICES if operation.may_pause else 1):
                if best is None or booking.end < best.end:
                    best = booking
    return best


def _moments(timeline: Timeline, operation: Operation, lo: int, hi: int) -> list[int]:
    """The instants on the grid, of those from `lo` and before `hi`, at which a place may become possible."""
    problem = timeline.problem
    found = {lo}
    for one in {one.resource: one for need in operation.needs for one in need.candidates}.values():
        spans = problem.spans(one.resource) or ()
        first, last = (bisect_left(spans, bound, key=lambda span: span[0]) for bound in (lo, hi))
        found.update(start for start, _ in spans[first:last])
        found.update(moment for moment in (one.lo, *(use.end for use in timeline.uses.get(one.resource, ())))
                     if lo < moment < hi)
        if operation.length == 0:
            ends = (end for _, end in spans[max(0, first - 1):last] if lo <= end < hi)
            found.update(end for end in ends if problem.on_grid(end) == end)
    return sorted({problem.on_grid(one) for one in found})


def _could(problem: Problem, operation: Operation, at: int) -> bool:
    """Whether each need has enough resources that could serve if nothing else took them: saves a long search."""
    pauses = operation.may_pause and operation.length > 0
    for need in slots(operation):
        able = 0
        for one in need.candidates:
            spans = problem.spans(one.resource)
            parts = ((max(at, one.lo), one.hi),) if spans is None else clipped(spans, max(at, one.lo), one.hi)
            room = sum(end - start for start, end in parts) if pauses else max(
                (end - start for start, end in parts), default=-1)
            able += room >= operation.length or operation.length == 0
        if able < need.count:
            return False
    return True
