"""What does not move: work that is done or in hand, and pins. A fact wins over a pin, and a clash is told, not mended.

Work in hand keeps its start and resources whatever has become of them since; where that collides with a calendar, a
validity or other work in hand, a `Conflict` says so. A pin that cannot stand leaves its order out with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from analysis.schedule.calendars import common, finish
from analysis.schedule.model import Booking, Fact, LeftOut, Named, Need, Operation, Problem, Remedy
from analysis.schedule.place import Timeline, Use, choices, facts_of, stretches, why_not
from analysis.schedule.words import obstacle_words


@dataclass(frozen=True)
class Conflict:
    """Facts that cannot hold together, with a sentence; of those that leave an order out each is `named` as well."""

    facts: tuple[Fact, ...]
    sentence: str
    remedies: tuple[Remedy, ...] = ()
    named: tuple[Named, ...] = ()

    def to_json(self) -> dict[str, object]:
        """As the contract has it."""
        return {"ids": list(dict.fromkeys(fact.id for fact in self.facts)),
                "facts": [fact.to_json() for fact in self.facts], "sentence": self.sentence,
                "named": [one.to_json() for one in self.named], "remedies": [one.to_json() for one in self.remedies]}


@dataclass
class Fixed:
    """Bookings that stand before planning starts, the timeline they make, and the clashes among them."""

    bookings: dict[int, Booking]
    timeline: Timeline
    conflicts: list[Conflict]


def fix(problem: Problem) -> Fixed:
    """Book what cannot move; orders whose pins cannot stand are left out and listed among the conflicts as well."""
    fixed = Fixed({}, Timeline(problem), [])
    for operation in problem.operations:
        if operation.state != "planned":
            _in_hand(problem, fixed, operation)
    for order in problem.orders:
        _restrict(problem, order.operations)
    out = {entry.order for entry in problem.left_out}
    pinned = [one for one in problem.operations if one.state == "planned" and one.pin_start is not None]
    for operation in sorted(pinned, key=lambda one: _rank(problem, one)):
        if problem.orders[operation.order].id not in out:
            _pinned(problem, fixed, operation)
            out = {entry.order for entry in problem.left_out}
    out = _with_those_that_wait(problem, out)
    for index in [one for one, booking in fixed.bookings.items() if problem.operations[one].state == "planned"]:
        if problem.orders[problem.operations[index].order].id in out:
            del fixed.bookings[index]
    fixed.timeline = _timeline(problem, fixed.bookings)
    return fixed


def _with_those_that_wait(problem: Problem, out: set[str]) -> set[str]:
    """Leave out as well the orders that wait for an operation of one left out, unless it is in hand."""
    for order in problem.orders:
        for operation in (problem.operations[index] for index in order.operations):
            for other in (problem.operations[before] for before, _ in operation.after):
                whose = problem.orders[other.order].id
                if order.id not in out and whose in out and other.state == "planned":
                    facts = (*facts_of(problem, operation), *facts_of(problem, other))
                    problem.left_out.append(LeftOut(order.id, f"Operation {operation.id} waits for {other.id} of order "
                                                              f"{whose}, which is left out.", facts))
                    return _with_those_that_wait(problem, out | {order.id})
    return out


def _rank(problem: Problem, operation: Operation) -> tuple[float, int, str]:
    """The order in which pins get their way: those with their resources named first, then by weight and due date."""
    order = problem.orders[operation.order]
    due = order.due if order.due is not None else 2**62
    return (0 if len(operation.pin_resources) == operation.slots else 1) - order.weight * 1e-9, due, operation.id


def _timeline(problem: Problem, bookings: dict[int, Booking]) -> Timeline:
    timeline = Timeline(problem)
    for index, booking in bookings.items():
        _take(problem, timeline, problem.operations[index], booking)
    return timeline


def _take(problem: Problem, timeline: Timeline, operation: Operation, booking: Booking) -> None:
    for need, resource in zip(slots(operation), booking.resources, strict=False):
        whole = ((booking.start, booking.end),)
        for start, end in stretches(problem, operation, booking) if need.group < 0 else whole:
            timeline.take(resource, Use(start, end, need.amount, operation.index, hold=need.group >= 0))


def slots(operation: Operation) -> list[Need]:
    """The need of each slot of a booking."""
    return [need for need in operation.needs for _ in range(need.count)]


def _in_hand(problem: Problem, fixed: Fixed, operation: Operation) -> None:
    """Work that is done or started, where it stands."""
    before = problem.previous.get(operation.index)
    named = operation.pin_resources if before is None or before[1] is None else before[1]
    resources = named if len(named) == operation.slots and -1 not in named else ()
    started = operation.started if operation.started is not None else problem.now
    if operation.state == "done":
        fixed.bookings[operation.index] = Booking(started, started + operation.length, resources)
        return
    start = before[0] if before is not None else started
    if not resources:
        resources = _someone(problem, fixed.timeline, operation, problem.now)
    end = problem.now + operation.remaining
    if operation.may_pause:
        spans = common(problem.spans(one) for one in resources)
        worked = finish(spans, problem.now, operation.remaining)
        end = end if worked is None else worked
    booking = Booking(min(start, end), end, resources)
    fixed.bookings[operation.index] = booking
    _clashes(problem, fixed, operation, booking)
    _take(problem, fixed.timeline, operation, booking)


def _someone(problem: Problem, timeline: Timeline, operation: Operation, at: int) -> tuple[int, ...]:
    """Resources for work in hand of which nobody wrote down who does it: those free now before those that are not."""
    chosen: list[int] = []
    for need in slots(operation):
        able = [one.resource for one in need.candidates if one.resource not in chosen]
        able.sort(key=lambda one: timeline.clash(one, at, at + max(1, operation.remaining), need.amount) is not None)
        chosen += able[:1]
    return tuple(chosen)


def _clashes(problem: Problem, fixed: Fixed, operation: Operation, booking: Booking) -> None:
    """Tell where work in hand goes against what is known now; it stays all the same."""
    for need, resource in zip(slots(operation), booking.resources, strict=False):
        name = problem.resources[resource].id
        facts = (*facts_of(problem, operation), Fact("resource", name))
        use = fixed.timeline.clash(resource, booking.start, booking.end, need.amount, operation.order)
        if use is not None:
            other = problem.operations[use.operation]
            fixed.conflicts.append(Conflict(
                (*facts, *facts_of(problem, other)),
                f"{name} is taken by {operation.id} from {problem.instant(booking.start)} to "
                f"{problem.instant(booking.end)} and by {other.id} from {problem.instant(use.start)} to "
                f"{problem.instant(use.end)}; both are in hand and neither is moved."))
        able = next((one for one in need.candidates if one.resource == resource), None)
        if able is None or booking.end > able.hi:
            lapses = "may not do it" if able is None else f"may do it only until {problem.instant(able.hi)}"
            fixed.conflicts.append(Conflict(facts, f"{operation.id} is in hand with {name}, which {lapses}; "
                                                   f"it ends {problem.instant(booking.end)}."))
        spans = problem.spans(resource)
        if spans is not None and not operation.may_pause and not any(
                start <= problem.now and booking.end <= end for start, end in spans):
            fixed.conflicts.append(Conflict((*facts, Fact("calendar", problem.calendar_names[
                problem.resources[resource].calendar or 0])), f"{operation.id} is in hand with {name} and ends "
                f"{problem.instant(booking.end)}, outside the working time of {name}."))


def _restrict(problem: Problem, indices: Iterable[int]) -> None:
    """Narrow the needs of an order to the resources it is pinned to, and to those of the pins that share a hold."""
    held: dict[tuple[int, int], int] = {}
    for operation in (problem.operations[index] for index in indices):
        if operation.state != "planned" or not operation.pin_resources:
            continue
        given = pinned_slots(operation)
        if given is None:
            _leave_out(problem, operation, tuple(operation.pin_resources), "which cannot meet its needs")
            return
        _narrow(operation, given)
        for need, resource in zip(slots(operation), given, strict=True):
            key = (need.group, need.member)
            if need.group >= 0 and resource >= 0 and held.setdefault(key, resource) != resource:
                _leave_out(problem, operation, (resource, held[key]), "but the order keeps another one throughout")
                return
    for operation in (problem.operations[index] for index in indices) if held else ():
        if operation.state == "planned":
            members = [(need.group, need.member + one) for need in operation.needs for one in range(need.count)]
            _narrow(operation, [held.get(member, -1) for member in members])


def _narrow(operation: Operation, given: list[int]) -> None:
    """Cut the needs into one for each slot, with a single candidate where a resource is given."""
    if all(resource < 0 for resource in given):
        return
    needs, slot = [], 0
    for need in operation.needs:
        for one in range(need.count):
            able = tuple(c for c in need.candidates if given[slot] < 0 or c.resource == given[slot])
            needs.append(replace(need, count=1, candidates=able, member=need.member + one))
            slot += 1
    operation.needs = tuple(needs)


def pinned_slots(operation: Operation) -> list[int] | None:
    """Which pinned resource goes to which slot, -1 for a slot without one; None when they do not fit."""
    able = [{one.resource for one in need.candidates} for need in slots(operation)]
    pinned = list(operation.pin_resources)
    if len(pinned) == len(able) and all(one in can for one, can in zip(pinned, able, strict=True)):
        return pinned

    def fit(left: list[int], given: list[int]) -> list[int] | None:
        if not left:
            return given
        for slot, can in enumerate(able):
            if given[slot] < 0 and left[0] in can:
                found = fit(left[1:], [*given[:slot], left[0], *given[slot + 1:]])
                if found is not None:
                    return found
        return None

    return fit(pinned, [-1] * len(able))


def _leave_out(problem: Problem, operation: Operation, resources: tuple[int, ...], why: str) -> None:
    names = [problem.resources[one].id for one in resources]
    facts = (*facts_of(problem, operation), Fact("pin", operation.id), *(Fact("resource", name) for name in names))
    problem.left_out.append(LeftOut(problem.orders[operation.order].id,
                                    f"Operation {operation.id} is pinned to {', '.join(names)}, {why}.", facts))


def _too_early(problem: Problem, fixed: Fixed, operation: Operation, start: int) -> LeftOut | None:
    """Whether a pin comes before its order's release, or does not fit the bookings it waits for or that wait for it."""
    order = problem.orders[operation.order]
    facts = (*facts_of(problem, operation), Fact("pin", operation.id))
    pinned = f"Operation {operation.id} is pinned to {problem.instant(start)}"
    if start < order.release:
        return LeftOut(order.id, f"{pinned}, before its order is released ({problem.instant(order.release)}).", facts)
    pairs = [(before, operation.index, lag) for before, lag in operation.after]
    pairs += [(operation.index, later.index, lag) for later in problem.operations if later.index in fixed.bookings
              and later.state == "planned" for before, lag in later.after if before == operation.index]
    for before, after, lag in pairs:
        booking = fixed.bookings.get(before if after == operation.index else after)
        if booking is None:
            continue
        other = problem.operations[before if after == operation.index else after]
        if after == operation.index and booking.end + lag > start:
            return LeftOut(order.id, f"{pinned}, and {other.id}, which it waits for, ends "
                                     f"{problem.instant(booking.end + lag)}.", (*facts, Fact("operation", other.id)))
        if before == operation.index and start + operation.length + lag > booking.start:
            return LeftOut(order.id, f"{pinned}, and {other.id}, which waits for it, is pinned to "
                                     f"{problem.instant(booking.start)}.", (*facts, Fact("operation", other.id)))
    return None


def _pinned(problem: Problem, fixed: Fixed, operation: Operation) -> None:
    """Book a pin with a start, or leave its order out and say what it runs against."""
    start = operation.pin_start or 0
    early = _too_early(problem, fixed, operation, start)
    if early is not None:
        problem.left_out.append(early)
        return
    found = next(choices(fixed.timeline, operation, start), None)
    if found is not None:
        fixed.bookings[operation.index] = found
        _take(problem, fixed.timeline, operation, found)
        return
    facts = [*facts_of(problem, operation), Fact("pin", operation.id)]
    reasons = []
    for need, obstacles in why_not(fixed.timeline, operation, start):
        reasons.append(obstacle_words(problem, need, obstacles))
        for one in obstacles if len(obstacles) <= 2 else ():
            facts.append(Fact("resource", problem.resources[one.resource].id))
            if one.use is not None:
                facts.append(Fact("operation", problem.operations[one.use.operation].id))
        facts += [Fact("skill", need.skill)] if need.skill else []
    why = "; ".join(reasons) or "its resources have no common time then"
    sentence = f"Operation {operation.id} is pinned to {problem.instant(start)}, and that cannot stand: {why}."
    problem.left_out.append(LeftOut(problem.orders[operation.order].id, sentence, tuple(facts)))


