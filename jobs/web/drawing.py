"""Geometry of the drawn components: where each line goes, as plain numbers.

Pure: numbers in, numbers out, no Django, no markup. Lengths are in the user units of the SVG (one CSS
pixel at size 1), x to the right and y down. Angles are crank degrees. What cannot be drawn honestly is not
drawn: without a finite deviation, uncertainty and tolerance the interval mark is an empty scale.

The scale of an interval mark reaches `SPAN` tolerances to either side, so marks of one column compare by
eye. A deviation beyond that stands in a compartment behind a broken line, and the words say so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

SPAN = 2.5


def px(value: float) -> float:
    """Two decimals are finer than any printer and keep the markup short."""
    return round(value, 2) + 0.0


def known(*values: float | None) -> bool:
    """Whether all are finite numbers."""
    return all(value is not None and math.isfinite(value) for value in values)


# --- Interval mark --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class MarkSize:
    """Outline of an interval mark; `gutter` is the compartment behind the broken line at either end."""

    width: float
    height: float
    axis_y: float
    gutter: float
    zone_half: float
    dot_radius: float
    figures: bool


ROW = MarkSize(width=168, height=28, axis_y=14, gutter=22, zone_half=8, dot_radius=3.5, figures=False)
PAGE = MarkSize(width=420, height=72, axis_y=26, gutter=36, zone_half=16, dot_radius=6.5, figures=True)
SIZES = {"row": ROW, "page": PAGE}


@dataclass(frozen=True)
class IntervalMark:
    """Where the parts of an interval mark lie.

    Attributes
    ----------
    lie : str
        Of the interval against the tolerance: ``inside``, ``outside``, ``straddling`` or ``empty``.
    axis, zone : tuple of float
        Left and right end of the drawn scale and of the tolerance zone.
    dot_x : float or None
        The deviation; None on an empty scale.
    whisker : tuple of float or None
        Left and right end of the expanded uncertainty as drawn.
    off : int
        -1 or +1 when the deviation lies off the scale and the dot stands behind the broken line, else 0.
    open_low, open_high : bool
        The whisker goes on beyond the drawn end and gets no cap there.
    """

    size: MarkSize
    lie: str
    axis: tuple[float, float]
    zone: tuple[float, float]
    centre: float
    dot_x: float | None = None
    whisker: tuple[float, float] | None = None
    off: int = 0
    open_low: bool = False
    open_high: bool = False

    @property
    def zone_width(self) -> float:
        return px(self.zone[1] - self.zone[0])

    @property
    def zone_height(self) -> float:
        return 2 * self.size.zone_half

    @property
    def cap(self) -> float:
        """Half the height of a whisker's cap."""
        return self.size.dot_radius + 1.5

    @property
    def cap_height(self) -> float:
        return 2 * self.cap

    @property
    def break_x(self) -> float:
        """Where the line is broken, when the deviation lies off the scale."""
        return px(self.axis[0] - 4 if self.off < 0 else self.axis[1] + 4)


def lie_of(deviation: float | None, expanded: float | None, tolerance: float | None) -> str:
    """How the interval deviation ± expanded lies against ± tolerance; touching the limit is inside."""
    if not known(deviation, expanded, tolerance):
        return "empty"
    assert deviation is not None and expanded is not None  # noqa: PT018 - for the type checker, after `known`
    assert tolerance is not None
    if tolerance <= 0 or expanded < 0:
        return "empty"
    if abs(deviation) + expanded <= tolerance:
        return "inside"
    return "outside" if abs(deviation) - expanded > tolerance else "straddling"


def interval_mark(
    deviation: float | None, expanded: float | None, tolerance: float | None, *, size: MarkSize = ROW
) -> IntervalMark:
    """Lay out the mark.

    Parameters
    ----------
    deviation, expanded, tolerance : float or None
        Measured deviation, its expanded uncertainty (half-width) and the permitted deviation (half-width),
        all in one unit.
    size : MarkSize
        Outline in user units.
    """
    low, high = size.gutter, size.width - size.gutter
    centre = (low + high) / 2
    unit = (high - low) / 2 / SPAN
    axis, zone = (px(low), px(high)), (px(centre - unit), px(centre + unit))
    lie = lie_of(deviation, expanded, tolerance)
    if lie == "empty":
        return IntervalMark(size, lie, axis, zone, px(centre))
    assert deviation is not None and expanded is not None  # noqa: PT018 - for the type checker, after `known`
    assert tolerance is not None
    at, half = deviation / tolerance, expanded / tolerance
    off = int(math.copysign(1, at)) if abs(at) > SPAN else 0
    behind = 0.62 * size.gutter
    dot = centre + at * unit if not off else (high + behind if off > 0 else low - behind)
    left, open_low = _whisker_end(at - half, -1, centre, unit, dot, size, off)
    right, open_high = _whisker_end(at + half, 1, centre, unit, dot, size, off)
    return IntervalMark(size, lie, axis, zone, px(centre), px(dot), (px(left), px(right)), off, open_low, open_high)


def _whisker_end(
    end: float, side: int, centre: float, unit: float, dot: float, size: MarkSize, off: int
) -> tuple[float, bool]:
    """One end of the whisker, in user units, and whether it goes on beyond what is drawn."""
    if abs(end) <= SPAN:
        return centre + end * unit, False
    if off == 0:
        return (4.0 if side < 0 else size.width - 4.0), True
    if side == off:  # away from the scale, behind the broken line there is no scale left to keep to
        return dot + side * (size.dot_radius + 2.5), True
    if end * off > 0:  # towards the scale, but not as far as it
        return dot + side * (size.dot_radius + 2.5), False
    return (4.0 if side < 0 else size.width - 4.0), True


# --- Line of states -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stop:
    """One state on the line of states; `place` is ``past``, ``now`` or ``ahead``."""

    word: str
    place: str


def state_line(states: list[str], now: str) -> tuple[Stop, ...]:
    """Which states lie behind, which is now, which lie ahead; none is now when `now` is not on the line."""
    if now not in states:
        return tuple(Stop(word, "ahead") for word in states)
    index = states.index(now)
    return tuple(Stop(word, "past" if i < index else "now" if i == index else "ahead") for i, word in enumerate(states))
