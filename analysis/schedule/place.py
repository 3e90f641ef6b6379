"""The earliest place of one operation, and why not earlier: the slow, obvious twin of the compiled scheme.

A place is an instant at which every need finds enough different resources that are open, valid and
free. It can only become possible at an event: a span that starts, a booking that ends, a validity that begins. So the
twin tries the events one after the other, and what stood in the way at the last event before is the reason.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice

from analysis.schedule.calendars import ALWAYS, common, finish, first_open, worked
from analysis.schedule.model import NEVER, Booking, Candidate, Fact, Need, Operation, Problem


@dataclass(slots=True, unsafe_hash=True)
class Use:
    """A resource taken from start to end; `operation` is the one that takes it, `hold` says for its whole order.

    Never changed once made. It is not frozen, as thousands are made for a plan, and that takes three times as long.
    """

    start: int
    end: int
    amount: int
    operation: int
    hold: bool = False


@dataclass(frozen=True)
class Obstacle:
    """What keeps one resource from serving at an instant: calendar, busy, skill or usable; gone at `until`."""

    kind: str
    resource: int
    until: int
    use: Use | None = None


@dataclass
class Timeline:
    """Every resource with what it is taken for."""

    problem: Problem
    uses: dict[int, list[Use]] = field(default_factory=dict)

    def take(self, resource: int, use: Use) -> None:
        self.uses.setdefault(resource, []).append(use)

    def clash(self, resource: int, start: int, end: int, amount: int, order: int = -1) -> Use | None:
        """A use that leaves too little room between start and end; uses held for `order` itself do not count."""
        room = self.problem.resources[resource].capacity - amount
        met = [use for use in self.uses.get(resource, ())
               if use.start < end and start < use.end
               and not (use.hold and self.problem.operations[use.operation].order == order)]
        for at in [start, *(use.start for use in met if use.start > start)]:
            here = [use for use in met if use.start <= at and (at < use.end or use.start == use.end == at)]
            moments = [use for use in here if use.start == use.end]
            lasting = sum(use.amount for use in here if use.start < use.end
                          and (use.start < at or not (moments or start == end)))
            if here and lasting + max((use.amount for use in moments), default=0) > room:
                return max(here, key=lambda use: use.end)
        return None


def booked(problem: Problem, bookings: dict[int, Booking]) -> Timeline:
    """The timeline of a plan; what an order holds is one use from its first start to its last end."""
    timeline = Timeline(problem)
    holds: dict[tuple[int, int], list[tuple[int, Booking, int]]] = {}
    for index, booking in bookings.items():
        operation, slot = problem.operations[index], 0
        parts = stretches(problem, operation, booking)
        for need in operation.needs:
            for resource in booking.resources[slot:slot + need.count]:
                if need.group >= 0:
                    holds.setdefault((need.group, resource), []).append((index, booking, need.amount))
                    continue
                for start, end in parts:
                    timeline.take(resource, Use(start, end, need.amount, index))
            slot += need.count
    for (_, resource), held in holds.items():
        last = max(held, key=lambda one: one[1].end)
        timeline.take(resource, Use(min(one[1].start for one in held), last[1].end, max(one[2] for one in held),
                                    last[0], hold=True))
    return timeline


def stretches(problem: Problem, operation: Operation, booking: Booking) -> tuple[tuple[int, int], ...]:
    """When the booking takes its resources: throughout, or the working time alone."""
    if operation.release_in_pause and operation.may_pause and booking.start < booking.end:
        return worked(common(problem.spans(one) for one in booking.resources), booking.start, booking.end)
    return ((booking.start, booking.end),)


def obstacle(timeline: Timeline, operation: Operation, need: Need, candidate: Candidate, start: int) -> Obstacle | None:
    """What keeps this candidate alone from serving the operation at `start`."""
    problem, resource = timeline.problem, candidate.resource
    found = problem.spans(resource)
    spans = ALWAYS if found is None else found  # an empty calendar is one of somebody who is never there
    pauses = operation.may_pause and operation.length > 0
    begin = first_open(spans, start, operation.length, may_pause=pauses)
    if begin != start:
        return Obstacle("calendar", resource, NEVER if begin is None else begin)
    end = finish(spans, start, operation.length) if pauses else start + operation.length
    if end is None:
        return Obstacle("calendar", resource, NEVER)
    if start < candidate.lo or end > candidate.hi:
        lo, hi = problem.resources[resource].usable
        kind = "usable" if start < lo or end > hi else "skill"
        return Obstacle(kind, resource, candidate.lo if start < candidate.lo else NEVER)
    clash = timeline.clash(resource, start, end, need.amount, operation.order if need.group >= 0 else -1)
    return None if clash is None else Obstacle("busy", resource, max(clash.end, start + 1), clash)


def choices(timeline: Timeline, operation: Operation, start: int) -> Iterator[Booking]:
    """Every booking of the operation that may start at `start`."""
    problem = timeline.problem
    pauses = operation.may_pause and operation.length > 0
    slots = [need for need in operation.needs for _ in range(need.count)]
    free: dict[tuple[int, int], bool] = {}

    def able(need: Need) -> Iterator[Candidate]:
        for one in need.candidates:         # looked at when asked for: the first few are mostly enough
            name = (id(need), one.resource)
            if name not in free:
                free[name] = obstacle(timeline, operation, need, one, start) is None
            if free[name]:
                yield one

    def pick(chosen: tuple[Candidate, ...]) -> Iterator[tuple[Candidate, ...]]:
        if len(chosen) == len(slots):
            yield chosen
            return
        need = slots[len(chosen)]
        taken = {one.resource for one in chosen}
        floor = chosen[-1].resource if chosen and slots[len(chosen) - 1] is need else -1
        for one in able(need):
            if one.resource not in taken and one.resource > floor:
                yield from pick((*chosen, one))

    # Those of whom there are few first: where one of them is missing the others need not be looked at.
    if any(sum(1 for _ in islice(able(need), need.count)) < need.count
           for need in sorted(operation.needs, key=lambda need: len(need.candidates))):
        return
    for chosen in pick(()):
        resources = tuple(one.resource for one in chosen)
        end: int | None = start + operation.length
        if pauses:
            end = finish(common(problem.spans(one) for one in resources), start, operation.length)
        if end is None or any(end > one.hi for one in chosen):
            continue
        booking = Booking(start, end, resources)
        if not pauses or _free(timeline, operation, slots, booking):
            yield booking


def _free(timeline: Timeline, operation: Operation, slots: list[Need], booking: Booking) -> bool:
    """A pause in common may be longer than that of one resource, so each is looked at again over the whole booking."""
    spans = common(timeline.problem.spans(one) for one in booking.resources)
    if first_open(spans, booking.start, operation.length, may_pause=True) != booking.start:
        return False
    parts = stretches(timeline.problem, operation, booking)
    return all(timeline.clash(resource, start, end, need.amount, operation.order if need.group >= 0 else -1) is None
               for need, resource in zip(slots, booking.resources, strict=True) for start, end in parts)


def events(timeline: Timeline, operation: Operation, at: int) -> list[int]:
    """The instants from `at`, on the grid, at which something that stood in the way may have gone."""
    found = {timeline.problem.on_grid(at)}
    for candidate in (one for need in operation.needs for one in need.candidates):
        spans = timeline.problem.spans(candidate.resource) or ()
        uses = timeline.uses.get(candidate.resource, ())
        for moment in [candidate.lo, *(start for start, _ in spans), *(use.end for use in uses)]:
            if at < moment < NEVER:
                found.add(timeline.problem.on_grid(moment))
        if operation.length == 0:
            found |= {end for _, end in spans if end >= at and timeline.problem.on_grid(end) == end}
    return sorted(found)


def earliest(timeline: Timeline, operation: Operation, at: int) -> Booking | None:
    """The booking with the earliest end that starts at `at` or later; None when there is no place at all."""
    best: Booking | None = None
    for start in events(timeline, operation, at):
        if best is not None and start + operation.length >= best.end:
            break
        for booking in choices(timeline, operation, start):
            if best is None or booking.end < best.end:
                best = booking
    return best


def why_not(timeline: Timeline, operation: Operation, start: int) -> list[tuple[Need, list[Obstacle]]]:
    """For each need that cannot be met at `start`, what keeps each of its candidates."""
    found = []
    for need in operation.needs:
        kept: list[Obstacle] = []
        lacking = need.count
        for one in need.candidates:
            if not lacking:
                break
            what = obstacle(timeline, operation, need, one, start)
            if what is None:
                lacking -= 1
            else:
                kept.append(what)
        if lacking:
            found.append((need, kept))
    return found


def facts_of(problem: Problem, operation: Operation) -> tuple[Fact, Fact]:
    """The operation and its order, as facts."""
    return Fact("order", problem.orders[operation.order].id), Fact("operation", operation.id)
