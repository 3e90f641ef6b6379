"""Calendars by number, as the arrays of the compiled scheme."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Sized
from itertools import accumulate, chain, pairwise

import numpy as np

from analysis.schedule.calendars import common
from analysis.schedule.fields import Ints
from analysis.schedule.model import DAY, Problem, Spans


def ints(values: Iterable[int]) -> Ints:
    """An int64 array."""
    return np.fromiter(values, np.int64)


def pointers(lists: Sequence[Sequence[int]]) -> tuple[Ints, Ints]:
    """Ranges and the flat list."""
    return ranges(lists), ints(chain.from_iterable(lists))


def ranges(lists: Sequence[Sized]) -> Ints:
    """Where each list begins in the flat list of all, and where the last ends."""
    return ints(accumulate(map(len, lists), initial=0))


class Calendars:
    """Every calendar the scheme asks for, numbered; 0 is always open."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.spans: list[Ints] = [np.zeros((0, 2), np.int64)]
        self.known: dict[tuple[int, ...], int] = {(): 0}
        self.of = [0 if one.calendar is None else self.number((one.calendar,)) for one in problem.resources]

    def number(self, calendars: Iterable[int]) -> int:
        """The calendar that is open when all of these are."""
        key = tuple(sorted(set(calendars)))
        if key not in self.known:
            spans: Spans = common(self.problem.calendars[one] for one in key)
            self.known[key] = self.add(np.array(spans, np.int64).reshape(-1, 2))
        return self.known[key]

    def add(self, spans: Ints) -> int:
        """Number for spans of their own, rows of start and end."""
        self.spans.append(spans)
        return len(self.spans) - 1

    def by_day(self, pointer: Ints, ends: Ints, days: int) -> Ints:
        """For each calendar and day, the first span that ends after the beginning of that day."""
        midnights = np.arange(days, dtype=np.int64) * DAY
        return np.concatenate([low + np.searchsorted(ends[low:high], midnights, side="right")
                               for low, high in pairwise(pointer.tolist())]).astype(np.int64)

    def arrays(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Ranges, starts, ends, open time before."""
        starts, ends = np.concatenate(self.spans).T
        pointer = ranges(self.spans)
        total = np.concatenate([[0], np.cumsum(ends - starts)])
        before = total[:-1] - np.repeat(total[pointer[:-1]], np.diff(pointer))
        return pointer, starts, ends, before
