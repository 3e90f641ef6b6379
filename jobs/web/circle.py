"""Geometry of the timing circle: the crank circle to true scale, and a band outside it drawn larger.

Pure, like `jobs.web.drawing`, and in the same units. Angles are crank degrees from the top, counted in the
engine's sense of rotation as it is seen from the viewing end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from jobs.web.drawing import px

EXAGGERATIONS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
BAND_HALF_DEG = 60.0

Point = tuple[float, float]


@dataclass(frozen=True)
class Ray:
    """A mark on the band of the timing circle, from inner to outer radius, with its whisker as an arc."""

    kind: str
    deviation: float
    drawn_deg: float
    inner: Point
    outer: Point
    dot: Point
    whisker: str
    label: Point
    anchor: str
    clear: bool = True


@dataclass(frozen=True)
class Tick:
    start: Point
    end: Point
    text: str = ""
    at: Point = (0.0, 0.0)

    @property
    def at_y(self) -> float:
        """Base line of the text, so that its figures stand centred on `at`."""
        return px(self.at[1] + 4)


@dataclass(frozen=True)
class TimingCircle:
    """Where the parts of a timing circle lie: crank circle to true scale, band above it drawn larger."""

    centre: Point
    radius: float
    pin: Point
    ticks: tuple[Tick, ...]
    sense_path: str
    sense_head: str
    band: str
    sector: str
    limits: tuple[Tick, ...]
    rays: tuple[Ray, ...]
    exaggeration: int
    width: float = 460.0

    @property
    def left_x(self) -> float:
        """The level centre line keeps clear of the figures on the scale."""
        return px(self.centre[0] - self.radius + 40)

    @property
    def right_x(self) -> float:
        return px(self.centre[0] + self.radius - 40)

    @property
    def foot_y(self) -> float:
        return px(self.centre[1] + self.radius + 12)

    @property
    def drop(self) -> float:
        """Room for a mark that stands below the circle."""
        return 48.0 if any(abs(ray.drawn_deg) > 110 for ray in self.rays) else 0.0

    @property
    def height(self) -> float:
        return self.foot_y + 46 + self.drop

    @property
    def sense_y(self) -> float:
        return px(self.foot_y + 20 + self.drop)

    @property
    def scale_y(self) -> float:
        return px(self.foot_y + 40 + self.drop)


CENTRE: Point = (230.0, 244.0)
RADIUS, BAND_IN, BAND_OUT = 128.0, 142.0, 170.0


def on_circle(angle_deg: float, radius: float, *, clockwise: bool, centre: Point = CENTRE) -> Point:
    """The point at an angle from the top, counted in the sense of rotation as it is seen."""
    turn = math.radians(angle_deg if clockwise else -angle_deg)
    return px(centre[0] + radius * math.sin(turn)), px(centre[1] - radius * math.cos(turn))


def arc(start_deg: float, stop_deg: float, radius: float, *, clockwise: bool, move: str = "M") -> str:
    """SVG path of a circular arc of less than a turn, from `start_deg` to `stop_deg`."""
    (x0, y0), (x1, y1) = (on_circle(angle, radius, clockwise=clockwise) for angle in (start_deg, stop_deg))
    large = int(abs(stop_deg - start_deg) > 180)
    sweep = int((stop_deg > start_deg) == clockwise)
    return f"{move}{x0} {y0}A{radius:g} {radius:g} 0 {large} {sweep} {x1} {y1}"


def ring_sector(half_deg: float, inner: float, outer: float, *, clockwise: bool) -> str:
    """SVG path of the part of a ring within ± `half_deg` of the top."""
    out = arc(-half_deg, half_deg, outer, clockwise=clockwise)
    return out + arc(half_deg, -half_deg, inner, clockwise=clockwise, move="L") + "Z"


def exaggeration_for(*half_widths: float) -> int:
    """The largest round factor that keeps every half-width (degrees) on the band; 1 when none does."""
    widest = max(half_widths, default=0.0)
    fitting = [factor for factor in EXAGGERATIONS if widest * factor <= BAND_HALF_DEG]
    return fitting[-1] if fitting else 1


def timing_circle(
    *,
    target_deg: float,
    tolerance_deg: float,
    clockwise: bool,
    found: dict[str, tuple[float, float]],
) -> TimingCircle:
    """Lay out the timing circle.

    The target stands at the top, on the cylinder's axis, where the reference cylinder is at top dead
    centre. The encoder's scale runs round in the sense of rotation, true to scale. The band outside it
    shows deviations from the target, drawn `exaggeration` times as large.

    Parameters
    ----------
    target_deg, tolerance_deg : float
        Where top dead centre should stand on the encoder and how far off it may be, crank degrees.
    clockwise : bool
        Sense of normal rotation, as seen from the viewing end that the page names.
    found : dict of str to (float, float)
        Deviation and expanded uncertainty, crank degrees, by stage (``as-found``, ``as-left``).
    """
    factor = exaggeration_for(tolerance_deg, *(abs(deviation) + u for deviation, u in found.values()))
    rays = [_ray(kind, deviation, u, factor, clockwise) for kind, (deviation, u) in found.items()]
    drawn = [0.0, tolerance_deg * factor, -tolerance_deg * factor]
    placed = tuple(_clear(ray, [*drawn, *(other.drawn_deg for other in rays if other is not ray)]) for ray in rays)
    sector_half = min(tolerance_deg * factor, 179.9)
    return TimingCircle(
        centre=CENTRE,
        radius=RADIUS,
        pin=on_circle(0, RADIUS * 0.52, clockwise=clockwise),
        ticks=_scale(target_deg, clockwise),
        sense_path=arc(115, 205, RADIUS * 0.46, clockwise=clockwise),
        sense_head=_arrow_head(205, RADIUS * 0.46, clockwise),
        band=ring_sector(BAND_HALF_DEG + 4, BAND_IN, BAND_OUT, clockwise=clockwise),
        sector=ring_sector(sector_half, BAND_IN, BAND_OUT, clockwise=clockwise),
        limits=_limits(tolerance_deg, factor, clockwise),
        rays=placed,
        exaggeration=factor,
    )


def _ray(kind: str, deviation: float, expanded: float, factor: int, clockwise: bool) -> Ray:
    at = deviation * factor
    low, high = max(at - expanded * factor, -179.0), min(at + expanded * factor, 179.0)
    dot_radius = BAND_IN + (10 if kind == "as-found" else 18)
    label = on_circle(at, BAND_OUT + 14, clockwise=clockwise)
    anchor = "middle" if abs(at) < 8 else ("start" if label[0] > CENTRE[0] else "end")
    return Ray(
        kind=kind,
        deviation=deviation,
        drawn_deg=at,
        inner=on_circle(at, BAND_IN, clockwise=clockwise),
        outer=on_circle(at, BAND_OUT, clockwise=clockwise),
        dot=on_circle(at, dot_radius, clockwise=clockwise),
        whisker=arc(low, high, dot_radius, clockwise=clockwise) if high - low > 0.01 else "",
        label=label,
        anchor=anchor,
    )


def _clear(ray: Ray, others: list[float]) -> Ray:
    """Whether a label at the ray would stand clear of the other labels; the key names it in any case."""
    clear = all(abs(ray.drawn_deg - other) > 12 for other in others)
    return Ray(**{**ray.__dict__, "clear": clear})


def _scale(target_deg: float, clockwise: bool) -> tuple[Tick, ...]:
    ticks = []
    for mark in range(0, 360, 10):
        angle, long = mark - target_deg, mark % 30 == 0
        start = on_circle(angle, RADIUS, clockwise=clockwise)
        end = on_circle(angle, RADIUS - (9 if long else 5), clockwise=clockwise)
        on_axis = abs((angle + 90) % 180 - 90) < 9  # the cylinder's axis runs there
        text = f"{mark}°" if long and not on_axis else ""
        ticks.append(Tick(start, end, text, on_circle(angle, RADIUS - _room(angle, 13, 13, 5), clockwise=clockwise)))
    return tuple(ticks)


def _limits(tolerance_deg: float, factor: int, clockwise: bool) -> tuple[Tick, ...]:
    marks = []
    apart = tolerance_deg * factor > 7  # closer, the two figures would run into each other
    for side, sign in ((-1, "−" if apart else ""), (1, "+" if apart else "±")):
        angle = side * tolerance_deg * factor
        if abs(angle) <= BAND_HALF_DEG:
            start = on_circle(angle, BAND_IN, clockwise=clockwise)
            end = on_circle(angle, BAND_OUT + 6, clockwise=clockwise)
            lies = angle if apart else angle + 9
            at = on_circle(lies, BAND_OUT + _room(lies, 10, 24, 8), clockwise=clockwise)
            marks.append(Tick(start, end, f"{sign}{tolerance_deg:g}°" if sign else "", at))
    return tuple(marks)


def _room(angle_deg: float, line: float, half_width: float, half_height: float) -> float:
    """How far off a circle the middle of a figure lies, to keep off a line on it: figures are wider than high."""
    turn = math.radians(angle_deg)
    return line + half_width * abs(math.sin(turn)) + half_height * abs(math.cos(turn))


def _arrow_head(angle_deg: float, radius: float, clockwise: bool) -> str:
    """A filled head at the end of an arc, after ISO 129-1: three times as long as it is wide."""
    tip = on_circle(angle_deg + 12, radius, clockwise=clockwise)
    left = on_circle(angle_deg - 2, radius + 4, clockwise=clockwise)
    right = on_circle(angle_deg - 2, radius - 4, clockwise=clockwise)
    return f"M{tip[0]} {tip[1]}L{left[0]} {left[1]}L{right[0]} {right[1]}Z"
