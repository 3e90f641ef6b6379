"""A plan drawn to scale for paper: a sheet for each week, bays and people down, every bar under the unit's name.

A plan that ends within the first week has a sheet for its own days alone. Everything is in the user units of the SVG,
which is as wide as the paper, so that words are not stretched. Names stand above the bars; where two of them would
touch, the second goes a lane higher, so that a line is as high as it needs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from jobs.planning.wording import moment

Json = Mapping[str, Any]
WIDE, LABEL, HEAD = 1120.0, 140.0, 24.0
BAR, LANE, GAP = 12.0, 13.0, 5.0  # height of a bar, of a name above it, and between lines
LETTER = 6.3  # a generous width of a letter of a name, at its size of 11 units
DAYS, LEAST_DAYS, MOST_SHEETS = 7, 2, 2
DRAWN = ("bay", "crane", "person")


@dataclass(frozen=True)
class Bar:
    """One operation on a line; a hold point is a mark without length."""

    x: float
    width: float
    says: str
    moment: bool


@dataclass(frozen=True)
class Name:
    """What stands above the bars of one order."""

    x: float
    y: float
    words: str


@dataclass(frozen=True)
class Line:
    """A bay, the crane or a person: `y` is the line's top, `bar_y` that of its bars, below the names."""

    name: str
    y: float
    bar_y: float
    bars: tuple[Bar, ...]
    names: tuple[Name, ...]


@dataclass(frozen=True)
class Week:
    """One sheet; `ticks` are (left edge, the day in words)."""

    title: str
    width: float
    height: float
    label: float
    lines: tuple[Line, ...]
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True)
class Sheet:
    """The first weeks of a plan drawn, and all of it as rows (order, operation, start, end, with what)."""

    weeks: tuple[Week, ...]
    rows: list[tuple[str, str, str, str, str]]


@dataclass(frozen=True)
class _Stretch:
    operation: str
    start: datetime
    end: datetime
    resources: tuple[str, ...]

    @property
    def order(self) -> str:
        return self.operation.partition("/")[0]


def sheet(
    given: Mapping[str, Json], resources: Iterable[Json], names: Mapping[str, str], zone: ZoneInfo
) -> Sheet:
    """Bookings in the JSON of the contract as drawings of their first weeks and as rows."""
    instant = datetime.fromisoformat
    stretches = sorted(
        (
            _Stretch(key, instant(one["start"]), instant(one["end"]), tuple(one["resources"]))
            for key, one in given.items()
        ),
        key=lambda one: (one.start, one.operation),
    )
    if not stretches:
        return Sheet((), [])
    known = list(resources)
    drawn = [str(one["id"]) for kind in DRAWN for one in known if one["kind"] == kind]
    first = stretches[0].start.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None)
    last = max(one.end for one in stretches).astimezone(zone).replace(tzinfo=None)
    weeks: list[Week] = []
    while len(weeks) < MOST_SHEETS and first <= last:
        # a plan that ends on Wednesday has the whole sheet for its three days
        days = min(DAYS, max(LEAST_DAYS, (last - first).days + 1)) if not weeks else DAYS
        weeks.append(_week(stretches, drawn, names, zone, first, days))
        first += timedelta(days=days)
    rows = [
        (names.get(one.order, one.order), names.get(one.operation, one.operation).rpartition(" of ")[0],
         moment(one.start, zone), moment(one.end, zone), ", ".join(names.get(key, key) for key in one.resources))
        for one in stretches
    ]  # fmt: skip
    return Sheet(tuple(weeks), rows)


def _week(
    stretches: Iterable[_Stretch], drawn: Iterable[str], names: Mapping[str, str], zone: ZoneInfo, first: datetime,
    days: int,
) -> Week:
    edges = [(first + timedelta(days=day)).replace(tzinfo=zone) for day in range(days + 1)]
    begin, end = edges[0], edges[-1]
    scale = (WIDE - LABEL) / (end.timestamp() - begin.timestamp())

    def x(at: datetime) -> float:
        within = min(max(at, begin), end)
        return round(LABEL + (within.timestamp() - begin.timestamp()) * scale, 2)

    inside = [one for one in stretches if one.start < end and one.end >= begin]
    lines: list[Line] = []
    y = HEAD
    for key in drawn:
        mine = [one for one in inside if key in one.resources]
        bars = tuple(_bar(one, names, x(one.start), x(one.end)) for one in mine)
        placed, lanes = _names(mine, names, x)
        bar_y = y + GAP + lanes * LANE
        above = tuple(Name(one.x, round(bar_y - 3 - one.y * LANE, 2), one.words) for one in placed)
        lines.append(Line(names.get(key, key), y, bar_y, bars, above))
        y = bar_y + BAR + GAP
    ticks = tuple((x(edge), f"{edge:%a %Y-%m-%d}") for edge in edges[:-1])
    final = edges[-2]
    return Week(f"{begin:%a %Y-%m-%d} to {final:%a %Y-%m-%d}", WIDE, y + 1, LABEL, tuple(lines), ticks)


def _bar(stretch: _Stretch, names: Mapping[str, str], left: float, right: float) -> Bar:
    return Bar(left, max(2.0, round(right - left, 2)), names.get(stretch.operation, stretch.operation),
               stretch.start == stretch.end)  # fmt: skip


def _names(mine: Iterable[_Stretch], names: Mapping[str, str], x: Any) -> tuple[list[Name], int]:
    """A name where the bars of an order begin and another order's are before them, and how many lanes they take.

    `y` of each is the number of its lane, 0 next to the bars.
    """
    placed: list[Name] = []
    ends: list[float] = []  # of the last name in each lane
    before = ""
    for one in mine:
        if one.order == before:
            continue
        before = one.order
        words = names.get(one.order, one.order)
        left = min(x(one.start), WIDE - len(words) * LETTER)
        lane = next((number for number, end in enumerate(ends) if end <= left), len(ends))
        ends[lane:lane + 1] = [left + len(words) * LETTER]
        placed.append(Name(round(left, 2), lane, words))
    return placed, len(ends)
