"""A first look at a trace: where the lift lives, where each sweep's crest is, and what makes it hopeless.

Everything here works on medians and levels, so that it stands whatever the noise; what it finds starts the fit
or stops it with a reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis.quantiles import median, quantile, quantiles
from analysis.reference.lobe import Midline, bisect
from analysis.reference.points import Points

Floats = npt.NDArray[np.float64]
HALF = 0.5
SAME_PART = 1e-12          # of the largest value
FLANK_LOW = 0.25
LEAST_CHORDS, NEAREST = 6, 0.1
GAP_PART = 0.4            # of what passes for the top
SOME_FALLEN = 0.05        # of the range, beyond the crest: less is one flank
WIDE_DEG, WIDE_STEPS = 4.0, 3.0       # crank degrees and usual steps between points, across which nothing is told
# A cut: its width to that at the next level, what the flanks move apart to what they did, and how deep is looked.
NOISY_STEPS = 0.45         # of the converter, from which on readings do not repeat over a crest
FEW_RAILED, MANY, FEW_PART, FEW_STEPS = 4, 20, 0.6, 1.5     # points, fewer than in what follows; of them; steps
CUT_WIDE, CUT_STEP, CUT_DEEPEST = 0.75, 2.5, 0.4


@dataclass(frozen=True)
class SweepLook:
    """One sweep at first sight; `fault` is empty when it can be used, else the name of the check it fails."""

    midline: Midline | None
    fault: str
    message: str


@dataclass(frozen=True)
class Look:
    """The trace at first sight; lift units are those of the points."""

    low: float
    high: float
    noise: float
    floor: bool           # the low end is a rail or a probe off its datum: no lift is measured there
    sweeps: tuple[SweepLook, ...]

    @property
    def range(self) -> float:
        return self.high - self.low


def lift_noise(lift: Floats) -> float:
    """Robust standard deviation of the lift's fast part, from its second differences."""
    if len(lift) < 8:
        return 0.0
    bends = np.abs(np.diff(lift, 2))
    return median(bends) * 1.4826 / math.sqrt(6.0)


def look(points: Points, sweep_count: int) -> Look:
    """Look at a trace's points, sweep by sweep."""
    smooth = median_filter(points.lift, 7, mode="nearest")
    low, high = quantiles(smooth, 0.01, 0.995)
    low_band = smooth <= low + 0.03 * (high - low)
    floor = bool(low_band.sum() > 10 and _commonest(points.lift[low_band]) > 0.35)
    noise = lift_noise(points.lift)
    sweeps = tuple(
        _look_at(points.angle_deg[points.sweep == k], smooth[points.sweep == k], points.lift[points.sweep == k],
                 low, high, noise, points.noise_steps)
        for k in range(sweep_count)
    )
    return Look(low, high, noise, floor, sweeps)


def midlines_apart(seen: Look, points: Points, use: npt.NDArray[np.bool_], lag_s: float) -> float:
    """How far apart sweeps of one sense stand by chords at the same lifts, the lag taken off; crank degrees.

    A sweep that stands off does so with all its chords; by the nearest of them, since a step of the lift moves
    some; those that end in a drop-out say nothing.

    Parameters
    ----------
    use : ndarray of bool, shape (n,)
        Points in use; a sweep without any is not asked.
    """
    lines, apart = [], 0.0
    for k, one in enumerate(seen.sweeps):
        mine = use & (points.sweep == k)
        if one.midline is not None and not one.fault and mine.any():
            across = max(WIDE_DEG, WIDE_STEPS * median(np.abs(np.diff(points.angle_deg[mine]))))
            lines.append((float(points.sense[mine][0]), one.midline.told(across),
                          lag_s * float(points.speed[mine].mean())))
    for (sense, one_line, late), (other, two_line, later) in combinations(lines, 2):
        _, here, there = np.intersect1d(one_line.level, two_line.level, assume_unique=True, return_indices=True)
        if sense == other and len(here) >= LEAST_CHORDS:
            between = one_line.middle_deg[here] - two_line.middle_deg[there] - (late - later)
            apart = max(apart, quantile(np.abs(between), NEAREST))
    return apart


def _commonest(values: Floats) -> float:
    """Share of the commonest value; means of one value many times over differ by rounding, and are that value."""
    if not len(values):
        return 0.0
    rising = np.sort(values)
    same = SAME_PART * max(abs(float(rising[0])), abs(float(rising[-1])))
    edges = np.flatnonzero(~(np.diff(rising, prepend=np.nan, append=np.nan) <= same))
    return float(np.diff(edges).max() / len(values))


def _look_at(angle: Floats, smooth: Floats, lift: Floats, low: float, high: float, noise: float, steps: float
             ) -> SweepLook:
    if len(angle) < 24:
        return SweepLook(None, "too few samples", f"Only {len(angle)} points in this sweep.")
    order = np.argsort(angle, kind="stable")
    angle, smooth, lift = angle[order], smooth[order], lift[order]
    starts, stops = _regions(smooth > low + HALF * (high - low))
    starts, stops = _joined(smooth, starts, stops, low + FLANK_LOW * (high - low))
    if len(starts) == 0:
        return SweepLook(None, "crest not passed", "The sweep never rises to half of the lift.")
    at_start, at_stop = bool(starts[0] == 0), bool(stops[-1] == len(angle))
    if at_start and at_stop and len(starts) >= 2:
        return SweepLook(None, "sign inverted", "The lift falls where it should rise: the sign looks upside down.")
    if len(starts) > 1 and not (at_start or at_stop):
        return SweepLook(None, "two crests", f"{len(starts)} crests in one sweep could each be the datum.")
    if at_start or at_stop:
        fallen = (float(smooth.max()) - float(smooth[0 if at_start else -1])) / (high - low)
        return SweepLook(None, "flank missing", "The sweep shows one flank of the crest only." if fallen < SOME_FALLEN
                         else f"On one side of the crest the lift falls by {fallen:.0%} of its range only: "
                         "turn on until it has fallen by more than half.")
    fault = _topped(angle, smooth, lift, quantile(smooth, 0.995), low, noise, steps)
    if fault:
        return SweepLook(None, "saturation", fault)
    midline = bisect(angle, lift, low, high)
    if midline.crest_deg is None or len(midline.level) < 12:
        return SweepLook(None, "flank missing", "The flanks do not share enough levels to be bisected.")
    return SweepLook(midline, "", "")


def _regions(above: npt.NDArray[np.bool_]) -> tuple[list[int], list[int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], above.astype(np.int8), [0]])))
    return edges[::2].tolist(), edges[1::2].tolist()


def _joined(smooth: Floats, starts: list[int], stops: list[int], dip: float) -> tuple[list[int], list[int]]:
    """Regions joined where the lift between them does not fall below `dip`, blips of a few points dropped."""
    kept_starts: list[int] = []
    kept_stops: list[int] = []
    for start, stop in zip(starts, stops, strict=True):
        if stop - start < 4:
            continue
        if kept_stops and float(smooth[kept_stops[-1]:start].min()) > dip:
            kept_stops[-1] = stop
        else:
            kept_starts.append(start)
            kept_stops.append(stop)
    return kept_starts, kept_stops


def _topped(angle: Floats, smooth: Floats, lift: Floats, high: float, low: float, noise: float, steps: float) -> str:
    """Why the top is a rail or a stop and no crest; empty when it is a crest.

    A rail repeats one value over the whole top although the lift is noisy elsewhere, by so many `steps`; a stop ends
    in corners: the flank arrives at the flat with its slope. A real crest, flat-nosed or round, arrives with none.
    """
    drop = max(4.0 * noise, 0.004 * (high - low))
    top = np.flatnonzero(smooth >= high - drop)
    if FEW_RAILED <= len(top) < MANY and steps > FEW_STEPS and _commonest(lift[top]) > FEW_PART:
        return f"The lift stays at one value in most of {len(top)} samples over the crest: the probe is at its limit."
    if len(top) < 8:
        return ""
    first, last = int(top[0]), int(top[-1])
    width = float(angle[last] - angle[first])
    if float(np.diff(angle[first:last + 1]).max()) > GAP_PART * width:
        return ""              # nothing was recorded where the crest is: what is left on its sides looks like corners
    inner = lift[first:last + 1]
    repeats = _commonest(inner)
    flank = _flank_width(angle, smooth, high, low)
    side = 0.12 * flank
    slopes = [_corner(angle, smooth, edge, sign * side) for edge, sign in ((angle[first], -1), (angle[last], 1))]
    corner = min(slopes) * flank / (high - low)
    moving = (smooth > low + 0.15 * (high - low)) & (smooth < high - 0.15 * (high - low))
    bends = np.diff(lift, 2)[moving[1:-1]]
    lively = steps > NOISY_STEPS and len(bends) > 20 and float(np.mean(bends == 0.0)) < 0.3
    arrives = _arrival(angle, smooth, median(smooth[first:last + 1]), drop, high - low)
    if repeats > 0.8 and len(inner) > 20 and (corner > 0.25 or (lively and arrives != "rounding")):
        return f"The lift stays at one value over {width:.1f} degrees of the crest: the probe is at its limit."
    if (corner > 0.45 and _is_flat(angle[first:last + 1], inner, drop)) or arrives == "cut":
        return f"The crest ends in corners, {width:.1f} degrees apart: the probe has bottomed."
    return ""


def _arrival(angle: Floats, smooth: Floats, top: float, drop: float, height: float) -> str:
    """How the flanks arrive at a wide flat: `cut`, `rounding`, or empty where it is not wide or its corners too deep.

    A cut ends in corners that may be small for the flanks, as where the probe stops just below the crest. Below
    a crest or a flat nose the lift falls with the square of the angle: from level to level, each four times as deep as
    the one before, the flanks move apart twice as far as they did. Below a cut they begin with a slope and move apart
    up to four times as far.
    """
    if 16.0 * drop > CUT_DEEPEST * height:
        return ""
    edges = [_between(angle, smooth, top - depth) for depth in (drop, 4.0 * drop, 16.0 * drop)]
    (left, right), (wider_left, wider_right), (widest_left, widest_right) = edges
    if not right - left > CUT_WIDE * (wider_right - wider_left):
        return ""
    steps = ((left - wider_left, wider_left - widest_left), (wider_right - right, widest_right - wider_right))
    if all(0.0 < near * CUT_STEP < far for near, far in steps):
        return "cut"
    return "rounding" if all(near * CUT_STEP > far for near, far in steps) else ""


def _between(angle: Floats, smooth: Floats, level: float) -> tuple[float, float]:
    """Where the lift first and last crosses a level."""
    above = np.flatnonzero(smooth >= level)
    first, last = int(above[0]), int(above[-1])
    ends = [float(angle[first]), float(angle[last])]
    for side, (inside, outside) in enumerate(((first, first - 1), (last, last + 1))):
        if 0 <= outside < len(angle) and smooth[inside] > smooth[outside]:
            part = (smooth[inside] - level) / (smooth[inside] - smooth[outside])
            ends[side] += float(part * (angle[outside] - angle[inside]))
    return ends[0], ends[1]


def _flank_width(angle: Floats, smooth: Floats, high: float, low: float) -> float:
    """Mean angle from a tenth to nine tenths of the lift."""
    tall = np.flatnonzero(smooth > low + 0.9 * (high - low))
    wide = np.flatnonzero(smooth > low + 0.1 * (high - low))
    if not len(tall) or not len(wide):
        return 1.0
    return max(float(angle[tall[0]] - angle[wide[0]] + angle[wide[-1]] - angle[tall[-1]]) / 2.0, 1e-3)


def _corner(angle: Floats, smooth: Floats, edge: float, side: float) -> float:
    """Slope with which the flank arrives at the edge of the flat, extrapolated from two stretches outside."""
    y0, y1, y2 = np.interp([edge, edge + side, edge + 2.0 * side], angle, smooth)
    near, far = abs(y1 - y0) / abs(side), abs(y2 - y1) / abs(side)
    return float(max(0.0, 1.5 * near - 0.5 * far))


def _is_flat(angle: Floats, lift: Floats, drop: float) -> bool:
    """Whether the middle of the flat stands no higher than its sides."""
    u = np.abs(angle - (angle[0] + angle[-1]) / 2.0) / max((angle[-1] - angle[0]) / 2.0, 1e-9)
    middle, sides = lift[u < 0.4], lift[(u > 0.6) & (u < 0.9)]
    return bool(len(middle) and len(sides) and median(middle) - median(sides) < 0.15 * drop)
