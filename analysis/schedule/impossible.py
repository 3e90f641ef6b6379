"""Orders that have no place at all: which requirement is at fault, and what it lacks."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.schedule.calendars import clipped, common, longest, merged
from analysis.schedule.fixed import Fixed
from analysis.schedule.model import MINUTE, NEVER, Candidate, Fact, LeftOut, Need, Operation, Problem, Spans
from analysis.schedule.place import Timeline, earliest, facts_of


def no_place(problem: Problem, fixed: Fixed, orders: Sequence[int], operations: Sequence[int]) -> list[LeftOut]:
    """For each of the orders, joined by what waits for what, why it has no place."""
    sentence, facts = _at_fault(problem, fixed, operations)
    return [LeftOut(problem.orders[order].id, sentence, (Fact("order", problem.orders[order].id), *facts))
            for order in orders]


def _at_fault(problem: Problem, fixed: Fixed, operations: Sequence[int]) -> tuple[str, tuple[Fact, ...]]:
    """The first operation that finds no place after those before it, even in a shop that is otherwise empty."""
    empty = Timeline(problem)
    ends: dict[int, int] = {}
    for index in operations:
        operation = problem.operations[index]
        order = problem.orders[operation.order]
        if index in fixed.bookings:
            ends[index] = fixed.bookings[index].end
            continue
        at = max([problem.now, order.release, *(ends[one] + lag for one, lag in operation.after)])
        booking = earliest(empty, operation, at)
        if booking is None:
            return _why(problem, operation, at)
        ends[index] = booking.end
        latest = _latest(problem, fixed, index)
        if latest is not None and booking.end > latest[0]:
            later = problem.operations[latest[1]]
            return (f"Operation {operation.id} ends {problem.instant(booking.end)} at the earliest, and {later.id}, "
                    f"which waits for it, is pinned to {problem.instant(fixed.bookings[latest[1]].start)}.",
                    (*facts_of(problem, operation), Fact("operation", later.id), Fact("pin", later.id)))
    busy = [problem.operations[index] for index in operations if index not in fixed.bookings]
    last = busy[-1] if busy else problem.operations[operations[-1]]
    return (f"Every operation of the order has a place by itself, but not all of them together beside work in hand and "
            f"pins and within what the order keeps; the last to try is {last.id}.", facts_of(problem, last)[1:])


def _latest(problem: Problem, fixed: Fixed, index: int) -> tuple[int, int] | None:
    """By when an operation has to end for the pins that wait for it, and which pin that is."""
    found = [(fixed.bookings[later.index].start - lag, later.index) for later in problem.operations
             if later.index in fixed.bookings and later.state == "planned"
             for before, lag in later.after if before == index]
    return min(found, default=None)


def _why(problem: Problem, operation: Operation, at: int) -> tuple[str, tuple[Fact, ...]]:
    """The need that cannot be met by itself from `at` on, else the time they do not have in common."""
    minutes = f"{operation.length / MINUTE:g} minutes"
    for need in operation.needs:
        windows = [window for window in (_window(problem, operation, one, at) for one in need.candidates)
                   if window is not None]
        enough = [one for one in windows if _length(one) >= operation.length]
        if len(enough) >= need.count:
            continue
        if not windows:
            return (f"Operation {operation.id} needs {need.words()} for {minutes} from {problem.instant(at)} on, and "
                    f"{_gone(problem, need)}.", _facts(problem, operation, need))
        best = max(windows, key=lambda window: (_length(window), -window[0]))
        return (f"Operation {operation.id} takes {minutes}; the longest window of {need.words()} is "
                f"{_length(best) / MINUTE:g} minutes, {_span(problem, best)}.", _facts(problem, operation, need))
    return _no_common(problem, operation, at, minutes)


def _gone(problem: Problem, need: Need) -> str:
    """Until when the last of the candidates could have served."""
    def last(resource: int) -> int:
        spans = problem.spans(resource)
        return NEVER if spans is None else max((end for _, end in spans), default=-NEVER)

    ends = [(min(one.hi, last(one.resource)), one.resource) for one in need.candidates]
    until, resource = max(ends, default=(NEVER, -1))
    if resource < 0 or until >= NEVER or until <= -NEVER:
        return "there is no working time of it left"
    return f"the last of it, {problem.resources[resource].id}, is there until {problem.instant(until)}"


def _facts(problem: Problem, operation: Operation, need: Need) -> tuple[Fact, ...]:
    """The operation, and the skill or, when they are few, the resources."""
    facts = facts_of(problem, operation)[1:]
    if need.skill is not None:
        return (*facts, Fact("skill", need.skill))
    return (*facts, *(Fact("resource", problem.resources[one.resource].id) for one in need.candidates[:1]))


def _window(problem: Problem, operation: Operation, candidate: Candidate, at: int) -> tuple[int, int] | None:
    """The longest stretch from `at` on in which the candidate could serve, None for none."""
    lo, hi = max(at, candidate.lo), min(candidate.hi, NEVER)
    spans = problem.spans(candidate.resource)
    if hi < lo or (hi == lo and operation.length):
        return None
    if spans is None or (operation.may_pause and operation.length):
        parts = ((lo, hi),) if spans is None else clipped(spans, lo, hi)
        return (parts[0][0], parts[-1][1]) if parts else None
    return longest(clipped(spans, lo, hi))


def _no_common(problem: Problem, operation: Operation, at: int, minutes: str) -> tuple[str, tuple[Fact, ...]]:
    """Each need alone could be met; name the longest stretch that all of them have in common."""
    shared = common(_open(problem, need, at) for need in operation.needs)
    best = longest(clipped(shared, at, NEVER))
    window = "no moment" if best is None else \
        f"at most {_length(best) / MINUTE:g} minutes together, {_span(problem, best)}"
    facts = facts_of(problem, operation)[1:]
    named = dict.fromkeys(Fact("skill", need.skill) for need in operation.needs if need.skill is not None)
    return (f"Operation {operation.id} takes {minutes}; what it needs ("
            f"{', '.join(need.words() for need in operation.needs)}) has {window}.", (*facts, *named))


def _open(problem: Problem, need: Need, at: int) -> Spans:
    """When at least one candidate of a need is there."""
    def spans(resource: int) -> Spans:
        found = problem.spans(resource)
        return ((at, NEVER),) if found is None else found

    return merged(span for one in need.candidates for span in clipped(
        spans(one.resource), max(at, one.lo), one.hi))


def _length(window: tuple[int, int]) -> int:
    return window[1] - window[0]


def _span(problem: Problem, window: tuple[int, int]) -> str:
    until = f" to {problem.instant(window[1])}" if window[1] < NEVER else " on"
    return f"from {problem.instant(window[0])}{until}"
