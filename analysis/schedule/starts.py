"""When operations may start as far as calendars and validity go: one calendar for all with the same needs and length.

A search that skips what these calendars exclude looks at fewer instants, and a bound on how long something is kept
follows from them. A start is possible when each need has somebody by itself; that they differ is not looked at.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.schedule.fields import Ints
from analysis.schedule.model import NEVER, Need, Operation, Problem

if TYPE_CHECKING:
    from analysis.schedule.numbered import Calendars


class Starts:
    """Numbers of calendars that hold the possible starts; 0 where nothing is excluded.

    The spans of these calendars are closed in thought: their ends are one microsecond later than the last start.
    """

    def __init__(self, problem: Problem, calendars: Calendars) -> None:
        self.problem, self.calendars = problem, calendars
        self.needs: dict[tuple[int, int], Ints | None] = {}
        self.known: dict[tuple[object, ...], int] = {}
        self.open: dict[int, Ints | None] = {}
        self.spans: dict[int, Ints] = {}

    def number(self, operation: Operation) -> int:
        """The calendar of an operation's starts."""
        length = 1 if operation.may_pause and operation.length > 0 else operation.length
        key = (length, *sorted({id(need.candidates) for need in operation.needs}))
        if key not in self.known:
            parts = {id(need.candidates): self._of_need(need, length) for need in operation.needs}
            limits = [spans for spans in parts.values() if spans is not None]
            number = 0
            if limits:
                number = self.calendars.add(both(*limits).T)
            self.known[key] = number
        return self.known[key]

    def _of_need(self, need: Need, length: int) -> Ints | None:
        """Starts at which some candidate of a need is open and valid for the length; None for always."""
        key = id(need.candidates), length
        if key not in self.needs:
            self.needs[key] = self._merged(need, length)
        return self.needs[key]

    def _merged(self, need: Need, length: int) -> Ints | None:
        spans = self._open(need)
        if spans is None:
            return None
        spans = spans - np.array([[0], [length - 1]])
        spans = spans[:, spans[0] < spans[1]]
        latest = np.maximum.accumulate(spans[1])
        first = np.flatnonzero(np.concatenate([[True], spans[0, 1:] > latest[:-1]])[:spans.shape[1]])
        last = np.concatenate([first[1:], [spans.shape[1]]])[:len(first)] - 1
        return np.stack([spans[0, first], latest[last]])

    def _open(self, need: Need) -> Ints | None:
        """When each candidate is open and valid, by the starts; None where one of them is so always."""
        key = id(need.candidates)
        if key not in self.open:
            self.open[key] = self._clipped(need)
        return self.open[key]

    def _clipped(self, need: Need) -> Ints | None:
        parts = [np.zeros((2, 0), np.int64)]
        for one in need.candidates:
            calendar = self.problem.resources[one.resource].calendar
            if calendar is None and one.lo <= -NEVER and one.hi >= NEVER:
                return None
            spans = self._spans(calendar)
            parts.append(np.stack([np.maximum(spans[0], one.lo), np.minimum(spans[1], one.hi)]))
        spans = np.concatenate(parts, axis=1)
        return spans[:, np.argsort(spans[0], kind="stable")]

    def _spans(self, calendar: int | None) -> Ints:
        if calendar is None:
            return np.array([[-NEVER], [NEVER]], np.int64)
        if calendar not in self.spans:
            self.spans[calendar] = np.array(self.problem.calendars[calendar], np.int64).reshape(-1, 2).T
        return self.spans[calendar]


def both(*parts: Ints) -> Ints:
    """The instants within spans of both, or of all that are given; each holds starts above ends, sorted and apart.

    With the starts of all n together in line, and the ends as well, all are open from start k + n - 1 to end k, where
    the one comes before the other: k + n spans have begun by then, and k have ended.
    """
    all_spans = np.sort(np.concatenate(parts, axis=1), axis=1)
    ahead = len(parts) - 1
    spans = np.stack([all_spans[0, ahead:], all_spans[1, :max(0, all_spans.shape[1] - ahead)]])
    return spans[:, spans[0] < spans[1]]
