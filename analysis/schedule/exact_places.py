"""Where one operation may stand, for the exact model: instants on the grid, with whom, and how long it then lasts.

Calendars and validity are in these sets, so the model has no intervals for nights and leave. Of an operation that may
pause a way says: from any of these starts, with resources among these, the booking lasts that long.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise, product
from math import prod

from analysis.schedule.calendars import ALWAYS, common
from analysis.schedule.fixed import slots
from analysis.schedule.model import Candidate, Operation, Problem, Spans

MOST_WAYS = 150                     # choices of calendars of one operation that may pause


class TooLarge(Exception):
    """The problem is beyond what the exact model is for."""


@dataclass(frozen=True)
class Way:
    """Starts at which the booking lasts `lasting`, by the resources in `among`, one set for each slot.

    `worked` are the open spans from the one in which the booking starts to the one in which it ends; empty for a
    booking without a pause.
    """

    starts: tuple[int, ...]
    lasting: int
    among: tuple[frozenset[int], ...]
    worked: Spans


def grid_starts(grid: int, low: int, high: int) -> range:
    """The instants of the grid in [low, high]; a whole number of steps makes a day."""
    return range(-(-low // grid) * grid, high + 1, grid)


def fits(problem: Problem, operation: Operation, one: Candidate, low: int, high: int) -> list[int]:
    """Starts in [low, high] at which a candidate serves an operation that does not pause."""
    length = operation.length
    low, high = max(low, one.lo), min(high, one.hi - length)
    found: list[int] = []
    spans = problem.spans(one.resource)
    for start, end in ALWAYS if spans is None else spans:
        if start > high:
            break
        if end >= low:
            found += grid_starts(problem.grid, max(low, start), min(high, end - length))
    return found


def ways(problem: Problem, operation: Operation, low: int, high: int) -> list[Way]:
    """Ways of an operation that may pause to stand in [low, high]: for each choice of calendars, each run of spans."""
    classes: list[dict[int | None, set[int]]] = []
    for need in slots(operation):
        by_calendar: dict[int | None, set[int]] = {}
        for one in need.candidates:
            by_calendar.setdefault(problem.resources[one.resource].calendar, set()).add(one.resource)
        classes.append(by_calendar)
    if prod(map(len, classes)) > MOST_WAYS:
        raise TooLarge
    found: list[Way] = []
    for mix in product(*classes):
        spans = common(None if calendar is None else problem.calendars[calendar] for calendar in mix)
        among = tuple(frozenset(by_calendar[calendar]) for calendar, by_calendar in zip(mix, classes, strict=True))
        found += _runs(problem.grid, spans, operation.length, (low, high), among)
    return found


def _runs(grid: int, spans: Spans, length: int, window: tuple[int, int],
          among: tuple[frozenset[int], ...]) -> Iterator[Way]:
    low, high = window
    first = bisect_right(spans, low, key=lambda span: span[1])
    for index in range(first, bisect_left(spans, high, key=lambda span: span[0])):
        by_last: dict[int, list[int]] = {}
        begin, end = spans[index]
        for start in grid_starts(grid, max(low, begin), min(high, end - 1)):
            left, until = length - (end - start), index
            while left > 0 and until + 1 < len(spans):
                until += 1
                left -= spans[until][1] - spans[until][0]
            if left <= 0 and spans[until][1] + left <= high:
                by_last.setdefault(until, []).append(start)
        for until, starts in by_last.items():
            run = spans[index:until + 1]
            closed = sum(two[0] - one[1] for one, two in pairwise(run))
            yield Way(tuple(starts), length + closed, among, run if until > index else ())
