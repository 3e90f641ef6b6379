"""Working time that is longer by a span: which spans would make room for an operation, and what they add."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.schedule.calendars import both, merged
from analysis.schedule.model import Operation, Problem, Spans

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


def added(old: Spans, spans: Spans) -> int:
    """How much working time spans add to those there are."""
    return sum(end - start for start, end in spans) - sum(end - start for start, end in both(old, merged(spans)))
