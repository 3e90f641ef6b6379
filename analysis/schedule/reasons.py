"""Why an operation stands where it stands: what binds a late order, and what moved an operation."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.schedule.model import Booking, Need, Operation, Order, Problem
from analysis.schedule.place import Obstacle, Timeline, Use, choices, obstacle, why_not
from analysis.schedule.words import obstacle_words

MOST = 3                            # reasons given for a late order


@dataclass(frozen=True)
class Move:
    """An operation that stands elsewhere than before: the class of the reason, and a sentence.

    Classes: pin, past, waits, needs, unfit, taken, absent, follows (another operation of its order), awaited (by
    another one of its order, which starts sooner now), better.
    """

    operation: int
    what: tuple[str, ...]
    cause: str
    sentence: str

    def to_json(self, problem: Problem) -> dict[str, object]:
        """As the contract has it."""
        return {"operation": problem.operations[self.operation].id, "changed": list(self.what), "class": self.cause,
                "reason": self.sentence}


def late(timeline: Timeline, bookings: dict[int, Booking], order: Order) -> list[str]:
    """Two or three reasons that bind a late order, from its end backwards along what its operations waited for."""
    problem, found = timeline.problem, []
    index = max(order.operations, key=lambda one: (bookings[one].end, one))
    for _ in range(len(problem.operations)):
        operation, booking = problem.operations[index], bookings[index]
        if operation.state != "planned":
            found.append(f"{operation.id} is in hand until {problem.instant(booking.end)}.")
            break
        if operation.pin_start is not None:
            found.append(f"{operation.id} is pinned to {problem.instant(operation.pin_start)}.")
        waits = [(bookings[one].end + lag, one) for one, lag in operation.after]
        ready = max([problem.now, problem.orders[operation.order].release, *(at for at, _ in waits)])
        if booking.start > problem.on_grid(ready) and operation.pin_start is None:
            reason = _kept_from(timeline, operation, booking, ready)
            if reason not in found:
                found.append(reason)
        binding = max(waits, default=None)
        if len(found) >= MOST or binding is None or binding[0] < ready:
            break
        index = binding[1]
    if not found:
        released = max(problem.now, problem.orders[order.index].release)
        found.append(f"The work itself takes from {problem.instant(released)} to its end, without waiting.")
    return found[:MOST]


def _kept_from(timeline: Timeline, operation: Operation, booking: Booking, ready: int) -> str:
    """What kept an operation from starting at the moment it was ready."""
    problem = timeline.problem
    own = _without(timeline, operation, booking)
    at = problem.on_grid(ready)
    missing = why_not(own, operation, at)
    first = f"{operation.id} was ready at {problem.instant(at)} and starts {problem.instant(booking.start)}"
    if missing:
        return f"{first}: {'; '.join(obstacle_words(problem, need, kept) for need, kept in missing[:2])}."
    return f"{first}{_held_before(timeline, operation, booking, at)}."


def _held_before(timeline: Timeline, operation: Operation, booking: Booking, at: int) -> str:
    """Why an operation that could have started `at` an instant by itself did not: what its order would have kept.

    The order keeps a bay from its first operation that needs one to its last; so the first one has to wait until the
    bay is free for all of them, and until then the bay serves others.
    """
    problem, begins = timeline.problem, False
    for need, resource in _kept(operation, booking.resources):
        mine = [use for use in timeline.uses.get(resource, ())
                if use.hold and problem.operations[use.operation].order == operation.order]
        if need.group < 0 or any(use.start < booking.start for use in mine):
            continue
        begins = True
        until = max([booking.end, *(use.end for use in mine)])
        there = _by_others(timeline, operation, resource, (at, until))
        if there and all(_by_others(timeline, operation, one.resource, (at, until))
                         or obstacle(timeline, operation, need, one, at) for one in need.candidates):
            use = there[0]
            return (f": its order needs {problem.resources[resource].id} from its start to "
                    f"{problem.instant(until)}, and until {problem.instant(use.end)} order "
                    f"{problem.orders[problem.operations[use.operation].order].id} has that")
    if begins:
        return ", so that what its order keeps is kept no longer than necessary"
    if next(choices(_without(timeline, operation, booking), operation, at), None) is None:
        return ": what it needs was there then, but not together for as long as it takes"
    return ": nothing by itself kept it from starting then, the plan as a whole is better so"


def _by_others(timeline: Timeline, operation: Operation, resource: int, span: tuple[int, int]) -> list[Use]:
    """What other orders have of a resource within a span, the last one first; of one for several none is told."""
    problem, (start, end) = timeline.problem, span
    if problem.resources[resource].capacity > 1:
        return []
    return sorted((use for use in timeline.uses.get(resource, ())
                   if use.start < end and start < use.end and problem.operations[use.operation].order
                   != operation.order), key=lambda use: (-use.end, use.operation))


def _without(timeline: Timeline, operation: Operation, booking: Booking) -> Timeline:
    """The timeline without what the operation takes itself."""
    return Timeline(timeline.problem, timeline.uses | {
        one: [use for use in timeline.uses.get(one, ()) if use.operation != operation.index]
        for one in booking.resources})


def moved(timeline: Timeline, bookings: dict[int, Booking], index: int, start: bool, resources: bool) -> Move:
    """The reason an operation does not stand where the plan in force has it."""
    problem = timeline.problem
    operation = problem.operations[index]
    what = tuple(name for name, changed in (("start", start), ("resources", resources)) if changed)
    old_start, named = problem.previous[index]
    old = tuple(named or ())
    if operation.pin_start is not None or operation.pin_resources:
        return Move(index, what, "pin", f"{operation.id} is pinned.")
    earliest = max(problem.now, problem.orders[operation.order].release)
    if old_start < earliest:
        over = "which is over" if earliest == problem.now else \
            f"before {problem.instant(earliest)}, when its order is there"
        return Move(index, what, "past", f"{operation.id} was to start {problem.instant(old_start)}, {over}.")
    for before, lag in operation.after:
        if before in bookings and bookings[before].end + lag > old_start:
            return Move(index, what, "waits", f"{operation.id} was to start {problem.instant(old_start)}; "
                        f"{problem.operations[before].id}, which it waits for, ends "
                        f"{problem.instant(bookings[before].end)}.")
    kept = _lost(_without(timeline, operation, bookings[index]), operation, old, old_start)
    if kept is not None:
        return Move(index, what, *kept)
    return (_follows(timeline, bookings, operation, what) or _awaited(timeline, bookings, operation, what)
            or _held(timeline, bookings, operation, what)
            or Move(index, what, "better", f"Nothing by itself kept {operation.id} from staying as it was; the plan as "
                                           "a whole is better so."))


def _awaited(timeline: Timeline, bookings: dict[int, Booking], operation: Operation, what: tuple[str, ...]
             ) -> Move | None:
    """The move of an operation that another of its order, which waits for it, no longer leaves the time for."""
    problem = timeline.problem
    old_start = problem.previous[operation.index][0]
    for index in problem.orders[operation.order].operations:
        lags = [lag for before, lag in problem.operations[index].after if before == operation.index]
        if lags and index in bookings and bookings[index].start < old_start + operation.length + max(lags):
            return Move(operation.index, what, "awaited", (
                f"{operation.id} was to start {problem.instant(old_start)}; {problem.operations[index].id}, which "
                f"waits for it, starts {problem.instant(bookings[index].start)} now."))
    return None


def _held(timeline: Timeline, bookings: dict[int, Booking], operation: Operation, what: tuple[str, ...]
          ) -> Move | None:
    """The move of an operation whose order keeps something for longer now than it is free where it was."""
    problem = timeline.problem
    of_order = problem.orders[operation.order].operations
    for group, resource in _given_up(problem, bookings, operation):
        mine = [bookings[index] for index in of_order if index in bookings
                and any(need.group == group for need in problem.operations[index].needs)]
        begin, end = min(one.start for one in mine), max(one.end for one in mine)
        kept = problem.resources[resource]
        for use in timeline.uses.get(resource, ()):
            other = problem.operations[use.operation]
            if other.order != operation.order and use.start < end and use.end > begin and kept.capacity == 1:
                return Move(operation.index, what, "taken", (
                    f"{operation.id} cannot stay where it was: its order needs {kept.id} from {problem.instant(begin)} "
                    f"to {problem.instant(end)}, and that is held for order {problem.orders[other.order].id} from "
                    f"{problem.instant(use.start)} to {problem.instant(use.end)}."))
    return None


def _follows(timeline: Timeline, bookings: dict[int, Booking], operation: Operation, what: tuple[str, ...]
             ) -> Move | None:
    """The move of an operation whose order keeps what another operation of it could not keep where it stood."""
    problem = timeline.problem
    for group, resource in _given_up(problem, bookings, operation):
        for index in problem.orders[operation.order].operations:
            other, before = problem.operations[index], problem.previous.get(index)
            if index == operation.index or index not in bookings or before is None or other.state == "done":
                continue
            own = _without(timeline, other, bookings[index])
            for need, one in _kept(other, tuple(before[1] or ())):
                able = next((each for each in need.candidates if each.resource == one), None)
                if need.group != group or one != resource or able is None:
                    continue
                kept = obstacle(own, other, need, able, before[0])
                if kept is not None:
                    return Move(operation.index, what, "follows", (
                        f"{operation.id} follows {other.id}, for which order {problem.orders[other.order].id} keeps "
                        f"the same {need.words()}: {obstacle_words(problem, need, [kept])}."))
    return None


def _given_up(problem: Problem, bookings: dict[int, Booking], operation: Operation) -> list[tuple[int, int]]:
    """What the order kept for an operation in the plan in force and keeps no longer: group and resource."""
    old = _kept(operation, tuple(problem.previous[operation.index][1] or ()))
    now = set(bookings[operation.index].resources)
    return [(need.group, resource) for need, resource in old if need.group >= 0 and resource not in now]


def _kept(operation: Operation, resources: tuple[int, ...]) -> list[tuple[Need, int]]:
    """Each resource of a booking with the need that it meets; none where they are not what is needed now."""
    slots = [need for need in operation.needs for _ in range(need.count)]
    return list(zip(slots, resources, strict=True)) if len(slots) == len(resources) else []


def _lost(own: Timeline, operation: Operation, old: tuple[int, ...], start: int) -> tuple[str, str] | None:
    """What keeps the resources of the plan in force from serving again: the class and a sentence."""
    problem = own.problem
    slots = [need for need in operation.needs for _ in range(need.count)]
    if len(old) != len(slots) or -1 in old:
        return "needs", f"What {operation.id} needs is not what the plan in force has for it."
    for need, resource in zip(slots, old, strict=True):
        able = next((one for one in need.candidates if one.resource == resource), None)
        name = problem.resources[resource].id
        if able is None:
            return "unfit", f"{name} cannot serve as {need.words()} for {operation.id} any longer."
        kept = obstacle(own, operation, need, able, start)
        if kept is not None:
            return _class(kept), f"{operation.id} cannot start {problem.instant(start)}: " \
                                 f"{obstacle_words(problem, need, [kept])}."
    return None


def _class(kept: Obstacle) -> str:
    use: Use | None = kept.use
    return "taken" if use is not None else {"calendar": "absent"}.get(kept.kind, "unfit")
