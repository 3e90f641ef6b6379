"""Why a job was late: the hours between its promise and its closing, each put to what it waited for.

Pure arithmetic on instants. With promise p, planned start s and end e, start of work b, end of work v (ready to
verify) and closing c,

    c - p = (e - s - (p - s)) + (b - s) + ((v - b) - (e - s)) + (c - v),

that is: what the plan left until the promise, what the start was late, what the work took longer, what verifying and
releasing took. Held time is taken out of the part in which it lies and told by itself with its reason, so that the
parts always add up to the whole. Hours are those of the clock, nights included. What cannot be told apart for want of
a record is one part that says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True)
class Held:
    """A stretch for which the order was held, and why."""

    start: datetime
    end: datetime
    reason: str


@dataclass(frozen=True)
class Times:
    """What is on record of a closed order; None where nothing is."""

    promised: datetime
    closed: datetime
    planned_start: datetime | None = None
    planned_end: datetime | None = None
    released: datetime | None = None
    started: datetime | None = None
    to_verify: datetime | None = None
    held: tuple[Held, ...] = ()


@dataclass(frozen=True)
class Part:
    """Some of the hours, and what they went to; negative minutes were gained. `known` is False for what is not."""

    what: str
    minutes: float
    known: bool = True

    @property
    def hours(self) -> float:
        return self.minutes / 60


def parts(times: Times) -> list[Part]:
    """The parts in the order of the job; together the minutes from promise to closing, those below one left out.

    Times that are not in order (a record mended by hand) are not taken apart.
    """
    until_verify = times.closed if not _in_order(times) else times.to_verify
    if until_verify is None:
        until_verify = times.closed
    found = _until_end_of_work(times, until_verify)
    if until_verify < times.closed:
        waited = "waited to be verified and released"
        found += _stretch(times, until_verify, times.closed, waited, "held while to verify")
    return [one for one in found if abs(one.minutes) >= 1]


def _in_order(times: Times) -> bool:
    known = [at for at in (times.started, times.to_verify, times.closed) if at is not None]
    return known == sorted(known)


def _until_end_of_work(times: Times, end_of_work: datetime) -> list[Part]:
    start, end, started = times.planned_start, times.planned_end, times.started
    if start is None or end is None or started is None or times.to_verify is None or not _in_order(times):
        missing = "no planned time is" if start is None or end is None else "start and end of work are not in order"
        # Holds of the time since the promise are known even so.
        since = min(times.promised, end_of_work)
        held = _held_parts(times, since, end_of_work, "held")
        rest = _minutes(times.promised, end_of_work) - sum(one.minutes for one in held)
        return [*held, Part(f"not known: {missing} on record", rest, known=False)]
    left = _minutes(times.promised, end)
    words = "planned to end after its promise" if left > 0 else "planned to end before its promise"
    found = [Part(words, left)]
    if started <= start:
        found.append(Part("began earlier than planned", -_minutes(started, start)))
    else:
        released = min(max(times.released or start, start), started)
        found += _stretch(times, start, released, "waited to be released", "held before work began")
        found += _stretch(times, released, started, "waited for work to begin", "held before work began")
    held = _held_parts(times, started, end_of_work, "held in work")
    over = _minutes(started, end_of_work) - _minutes(start, end) - sum(one.minutes for one in held)
    words = "work took longer than planned" if over > 0 else "work took less than planned"
    return [*found, *held, Part(words, over)]


def _stretch(times: Times, start: datetime, end: datetime, waited: str, held_words: str) -> list[Part]:
    """A stretch of waiting with the holds in it told by themselves."""
    held = _held_parts(times, start, end, held_words)
    rest = _minutes(start, end) - sum(one.minutes for one in held)
    return [*held, Part(waited, rest)]


def _held_parts(times: Times, start: datetime, end: datetime, words: str) -> list[Part]:
    """Held minutes within a stretch by reason; holds that overlap count once, to the one that began first."""
    found: dict[str, float] = {}
    since = start
    for one in sorted(times.held, key=lambda held: (held.start, held.end)):
        begin, stop = max(one.start, since), min(one.end, end)
        if stop > begin:
            found[one.reason] = found.get(one.reason, 0.0) + _minutes(begin, stop)
            since = stop
    return [Part(f"{words}: {reason}", minutes) for reason, minutes in found.items()]


def _minutes(start: datetime, end: datetime) -> float:
    return (end - start).total_seconds() / 60


def together(given: Iterable[Part]) -> float:
    """Minutes of all parts."""
    return sum(one.minutes for one in given)
