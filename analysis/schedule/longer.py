"""Working time that is longer by a span: which spans would make room for an operation, and what they add."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.schedule.calendars import both, merged
from analysis.schedule.model import MINUTE, Operation, Problem, Spans

A_SHIFT = 720 * MINUTE              # longer than any that is asked of somebody in one piece
MOST_SPANS = 6                      # of the working time there is, beside which more of it is tried


def longer(problem: Problem, operation: Operation, at: int, old: Spans) -> Iterator[tuple[int, int]]:
    """Spans from `at` on in which the operation would find room, begun in working time where there is any."""
    if operation.pin_start is not None:
        yield operation.pin_start, operation.pin_start + operation.length
        return
    at = problem.on_grid(at)
    yield at, at + operation.length
    for start, end in [span for span in old if span[1] > at][:MOST_SPANS]:
        begin = problem.on_grid(max(start, at))
        yield begin, begin + operation.length
        early = (end - operation.length) // problem.grid * problem.grid
        if early >= at:
            yield early, end


def pieces(spans: Spans) -> Spans:
    """Spans with those taken together that one shift can cover: nobody comes in for five pieces of one day."""
    made: list[tuple[int, int]] = []
    for start, end in merged(spans):
        if made and end - made[-1][0] <= A_SHIFT:
            made[-1] = (made[-1][0], end)
        else:
            made.append((start, end))
    return tuple(made)


def added(old: Spans, spans: Spans) -> int:
    """How much working time spans add to those there are."""
    return sum(end - start for start, end in spans) - sum(end - start for start, end in both(old, merged(spans)))
