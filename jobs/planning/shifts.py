"""From shift patterns to working time: start plus length on the shop's clock, in UTC."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

Span = tuple[datetime, datetime]
# A place has no rota that says in which week of its pattern it is: its weeks count from this Monday.
FIRST_MONDAY = date(2024, 1, 1)


@dataclass(frozen=True)
class Shift:
    """One shift of a pattern: week (from 1), weekday (Monday 0), start on the shop's clock, length in minutes."""

    week: int
    weekday: int
    starts: time
    minutes: int


@dataclass(frozen=True)
class Worked:
    """A pattern as somebody works it: its shifts come again after `weeks` weeks; `since` lies in week `first_week`.

    `until` is the last day on which a shift begins, None for none.
    """

    shifts: Sequence[Shift]
    weeks: int
    first_week: int
    since: date
    until: date | None = None


def spans(worked: Worked, *, begin: date, end: date, without: Collection[date], zone: ZoneInfo) -> list[Span]:
    """The shifts that begin from day `begin` to day `end`, both with, leaving out the days `without` shifts.

    A shift begins at its time on the clock of `zone` and lasts its minutes: one over midnight ends on the next day,
    one over a clock change ends an hour earlier or later on the clock. A start that the clock leaps over is taken at
    the instant PEP 495 gives for it. Spans are in UTC, in order, with those that touch or overlap made one.
    """
    first = max(begin, worked.since)
    last = end if worked.until is None else min(end, worked.until)
    monday = worked.since - timedelta(days=worked.since.weekday())
    found: list[Span] = []
    day = first
    while day <= last:
        week = ((day - monday).days // 7 + worked.first_week - 1) % worked.weeks + 1
        if day not in without:
            for shift in worked.shifts:
                if shift.week == week and shift.weekday == day.weekday():
                    start = datetime.combine(day, shift.starts, zone).astimezone(UTC)
                    found.append((start, start + timedelta(minutes=shift.minutes)))
        day += timedelta(days=1)
    return merged(found)


def merged(given: Iterable[Span]) -> list[Span]:
    """The same time as spans in order that neither touch nor overlap."""
    found: list[Span] = []
    for start, end in sorted(given):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((start, end))
    return found


def without(given: Iterable[Span], gaps: Iterable[tuple[datetime, datetime | None]]) -> list[Span]:
    """What is left of spans when the gaps are taken out; a gap that ends with None never ends."""
    left = list(given)
    for gap_start, gap_end in gaps:
        cut: list[Span] = []
        for start, end in left:
            if end <= gap_start or (gap_end is not None and gap_end <= start):
                cut.append((start, end))
                continue
            if start < gap_start:
                cut.append((start, gap_start))
            if gap_end is not None and gap_end < end:
                cut.append((gap_end, end))
        left = cut
    return left
