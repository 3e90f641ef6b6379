"""Calendars by number, as the arrays of the compiled scheme."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from analysis.schedule.calendars import common
from analysis.schedule.fields import Ints
from analysis.schedule.model import DAY, Problem, Spans


def ints(values: Iterable[int]) -> Ints:
    """An int64 array."""
    return np.fromiter(values, np.int64)


def pointers(lists: Sequence[Sequence[int]]) -> tuple[Ints, Ints]:
    """Ranges and the flat list."""
    return ints(np.cumsum([0, *map(len, lists)]).tolist()), ints(one for entries in lists for one in entries)


class Calendars:
    """Every calendar the scheme asks for, numbered; 0 is always open."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.spans: list[Spans] = [()]
        self.known: dict[tuple[int, ...], int] = {(): 0}
        self.of = [0 if one.calendar is None else self.number((one.calendar,)) for one in problem.resources]

    def number(self, calendars: Iterable[int]) -> int:
        """The calendar that is open when all of these are."""
        key = tuple(sorted(set(calendars)))
        if key not in self.known:
            self.known[key] = len(self.spans)
            self.spans.append(common(self.problem.calendars[one] for one in key))
        return self.known[key]

    def add(self, spans: Spans) -> int:
        """Number for spans of their own."""
        self.spans.append(spans)
        return len(self.spans) - 1

    def by_day(self, pointer: Ints, ends: Ints, days: int) -> Ints:
        """For each calendar and day, the first span that ends after the beginning of that day."""
        midnights = np.arange(days, dtype=np.int64) * DAY
        return np.concatenate([low + np.searchsorted(ends[low:high], midnights, side="right")
                               for low, high in pairwise(pointer.tolist())]).astype(np.int64)

    def arrays(self) -> tuple[Ints, Ints, Ints, Ints]:
        """Ranges, starts, ends, open time before."""
        before = [np.cumsum([0, *(end - start for start, end in spans)])[:-1].tolist() for spans in self.spans]
        return (pointers([[0] * len(spans) for spans in self.spans])[0],
                ints(start for spans in self.spans for start, _ in spans),
                ints(end for spans in self.spans for _, end in spans), ints(one for part in before for one in part))
