"""Working time as sorted spans of microseconds on the UTC axis, and what follows from it.

A span is half open for work, but a moment may stand on either of its ends. Touching spans are one span, so that work
may run over the seam of two shifts. None stands for a calendar that is always open.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable
from functools import lru_cache, reduce

from analysis.schedule.model import NEVER, Spans

ALWAYS: Spans = ((-NEVER, NEVER),)


def merged(spans: Iterable[tuple[int, int]]) -> Spans:
    """Sorted spans, with those joined that touch or overlap."""
    joined: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if joined and start <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], end))
        else:
            joined.append((start, end))
    return tuple(joined)


def both(one: Spans, two: Spans) -> Spans:
    """The time that is open in both."""
    found, i, j = [], 0, 0
    while i < len(one) and j < len(two):
        start, end = max(one[i][0], two[j][0]), min(one[i][1], two[j][1])
        if start < end:
            found.append((start, end))
        if one[i][1] < two[j][1]:
            i += 1
        else:
            j += 1
    return tuple(found)


_both = lru_cache(maxsize=1024)(both)        # the same few calendars are asked for over and over


def common(calendars: Iterable[Spans | None]) -> Spans:
    """The time that is open in all."""
    found = [spans for spans in calendars if spans is not None]
    return reduce(_both, found) if found else ALWAYS


def clipped(spans: Spans, lo: int, hi: int) -> Spans:
    """The part of the spans within [lo, hi]."""
    if lo >= hi:
        return ()
    first = bisect_right(spans, lo, key=lambda span: span[1])
    last = bisect_left(spans, hi, key=lambda span: span[0])
    return both(spans[first:last], ((lo, hi),))


def first_open(spans: Spans, at: int, length: int, *, may_pause: bool) -> int | None:
    """The first instant from `at` where a booking of this length may start, its end aside when it may pause."""
    after = bisect_right(spans, at, key=lambda span: span[1])
    if length == 0 and after and spans[after - 1][1] == at:
        return at
    for number in range(after, len(spans)):
        start, end = spans[number]
        begin = max(at, start)
        if may_pause or begin + length <= end:
            return begin
    return None


def finish(spans: Spans, start: int, length: int) -> int | None:
    """The end of work that starts at `start` and pauses while closed; None when the calendar ends before the work."""
    left = length
    for number in range(bisect_right(spans, start, key=lambda span: span[1]), len(spans)):
        begin, end = spans[number]
        worked = end - max(start, begin)
        if left <= worked:
            return max(start, begin) + left
        left -= worked
    return start if length == 0 else None


def worked(spans: Spans, start: int, end: int) -> Spans:
    """The open stretches between start and end."""
    return clipped(spans, start, end)


def longest(spans: Spans) -> tuple[int, int] | None:
    """The longest span, the first of equals; None without any."""
    return max(spans, key=lambda span: (span[1] - span[0], -span[0]), default=None)
