"""Geometry of the drawings of working time: where each bar goes, in the user units of the SVG.

A pattern is drawn on a clock without changes, a week to a row; real working time on instants, so that a day with a
clock change is as wide as it is long.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from jobs.planning.models import ShiftSpan
from jobs.planning.models.calendars import MINUTES_A_DAY
from jobs.planning.rules.calendars import MINUTES_A_WEEK, place_of
from jobs.planning.shifts import Shift, Span
from jobs.planning.typed import ends
from jobs.planning.wording import moment

LABEL, DAY, ROW, HEAD, BAR = 64.0, 96.0, 26.0, 22.0, 14.0
WIDE_LABEL = 170.0


@dataclass(frozen=True)
class Bar:
    """A stretch of working time: its left edge, width, and what it says."""

    x: float
    width: float
    says: str
    kind: str = "there"


@dataclass(frozen=True)
class Line:
    """One row of a drawing: name, top of the bars, the bars, and minutes in all."""

    name: str
    y: float
    bars: tuple[Bar, ...]
    minutes: int = 0

    @property
    def said(self) -> str:
        return hours(self.minutes)


@dataclass(frozen=True)
class Drawing:
    """A drawing of rows over days; `ticks` are (left edge, word, middle) of each day."""

    width: float
    height: float
    label: float
    lines: tuple[Line, ...]
    ticks: tuple[tuple[float, str, float], ...]
    noons: tuple[float, ...]
    now: float | None = None

    @property
    def right(self) -> float:
        return self.width - 1


def pattern(shifts: Sequence[Shift], weeks: int) -> Drawing:
    """A pattern to scale: a row for each week, the hours of a week across; a Sunday night goes on in the next row."""
    rows: list[list[Bar]] = [[] for _ in range(weeks)]
    minutes = [0] * weeks
    for shift in shifts:
        if not (1 <= shift.week <= weeks and 0 <= shift.weekday <= 6):
            continue
        minutes[shift.week - 1] += shift.minutes
        begin = (shift.week - 1) * MINUTES_A_WEEK + shift.weekday * MINUTES_A_DAY
        begin += shift.starts.hour * 60 + shift.starts.minute
        says = f"{place_of(shift)} to {ends(shift):%H:%M}, {hours(shift.minutes)}"
        for start, end in _by_week(begin, begin + shift.minutes):
            row, left = divmod(start, MINUTES_A_WEEK)
            x = LABEL + left / MINUTES_A_DAY * DAY
            rows[row % weeks].append(Bar(_px(x), _px((end - start) / MINUTES_A_DAY * DAY), says))
    lines = [
        Line(f"Week {number}", HEAD + (number - 1) * ROW, tuple(bars), minutes[number - 1])
        for number, bars in enumerate(rows, start=1)
    ]
    ticks = [(LABEL + day * DAY, str(day.label)[:3], LABEL + (day + 0.5) * DAY) for day in ShiftSpan.Weekday]
    return Drawing(
        LABEL + 7 * DAY + 2, HEAD + weeks * ROW + 2, LABEL, tuple(lines), tuple(ticks),
        tuple(middle for _, _, middle in ticks),
    )  # fmt: skip


def _by_week(begin: int, end: int) -> list[tuple[int, int]]:
    """A stretch of minutes cut where a week ends."""
    cut = (begin // MINUTES_A_WEEK + 1) * MINUTES_A_WEEK
    return [(begin, end)] if end <= cut else [(begin, cut), (cut, end)]


@dataclass(frozen=True)
class Given:
    """What a row shows: spans of working time, and spans of absence, both as instants."""

    name: str
    there: Sequence[Span]
    away: Sequence[Span] = ()


def days(rows: Iterable[Given], *, first: date, count: int, zone: ZoneInfo, now: datetime | None = None) -> Drawing:
    """Real working time over some days, on instants."""
    edges = [datetime.combine(first + timedelta(days=day), datetime.min.time(), zone) for day in range(count + 1)]
    begin, end = edges[0].timestamp(), edges[-1].timestamp()
    scale = DAY * count / (end - begin)

    def x(at: datetime) -> float:
        return _px(WIDE_LABEL + (min(max(at.timestamp(), begin), end) - begin) * scale)

    def bars(spans: Sequence[Span], kind: str, word: str) -> list[Bar]:
        return [
            Bar(x(start), _px(x(stop) - x(start)), f"{word} {moment(start, zone)} to {moment(stop, zone)}", kind)
            for start, stop in spans
            if stop.timestamp() > begin and start.timestamp() < end
        ]

    lines = tuple(
        Line(one.name, HEAD + number * ROW, (*bars(one.there, "there", "there"), *bars(one.away, "away", "away")))
        for number, one in enumerate(rows)
    )
    ticks = [
        (x(edge), f"{edge:%a %m-%d}", _px((x(edge) + x(following)) / 2))
        for edge, following in pairwise(edges)
    ]
    here = x(now) if now is not None and begin <= now.timestamp() <= end else None
    return Drawing(
        WIDE_LABEL + count * DAY + 2, HEAD + len(lines) * ROW + 2, WIDE_LABEL, lines, tuple(ticks),
        tuple(middle for _, _, middle in ticks), here,
    )  # fmt: skip


def hours(minutes: float) -> str:
    """A length in hours and minutes, such as 7 h 30 min."""
    whole = round(minutes)
    if whole % 60 == 0:
        return f"{whole // 60} h"
    return f"{whole // 60} h {whole % 60} min" if whole >= 60 else f"{whole} min"


def _px(value: float) -> float:
    """Two decimals are finer than any printer."""
    return round(value, 2) + 0.0
