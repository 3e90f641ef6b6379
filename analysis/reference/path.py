"""The shaft's path behind the encoder's steps: smooth where it turns, kinked where it starts or stops.

The readings of a sweep are averaged in short bins of equal time and smoothed by a penalty on third differences
(Whittaker 1923; Eilers, Anal. Chem. 75, 3631, 2003),

    Σ w_i (y_i − θ_i)² + λ Σ v_j (Δ³θ)_j²

with w_i the number of readings in a bin. λ is the one most likely for the readings (restricted likelihood of the
same model read as a random walk of the acceleration),

    −2 log L(λ) = (m − 3) log[(y − θ̂)ᵀWy] + log det(W + λP) − (m − 3) log λ + const

so that the path is its own expectation given the readings. That matters for the lag: an angle that was smoothed too
much follows the changes of speed too little, one smoothed too little follows its own noise, and both bias the lag.
v_j is 1, and next to nothing where the shaft starts or stops (a reading that stays far longer than the pace explains)
or where a first pass finds the path kinked.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack
from scipy.ndimage import binary_dilation

from analysis.quantiles import median
from analysis.reference import ripple as tones
from analysis.reference.spline import EvenSpline

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

ORDER = 3
LINES_PER_BIN = 1.5       # a bin crosses this many lines, so that neighbouring bins err independently
LEAST_BINS = 12
MOST_BINS = 6000
SHORTEST_BIN_S = 0.04
LONGEST_BIN_S = 0.1
ONE_EACH = 1.02           # readings are so far apart at most that each has a bin of its own
STAND_S = 0.3             # a reading that stays longer, and
STAND_PACES = 6.0         # this many times longer than the usual one, means that the shaft stands
FREE = 1e-5               # v where the path may kink
KINK = 5.0                # robust standard deviations of a third difference
SMOOTHNESS = np.log(np.geomspace(1e-2, 1e9, 12)).tolist()     # of λ
MIDDLE = math.log(1e3)
RIPPLE_ROUNDS = 2
FEW_READINGS = 4.0        # in a bin: they lie to one side of its middle,
ASIDE_ROUNDS = 3          # and are brought there along the path, again and again


@dataclass(frozen=True)
class Path:
    """Where the shaft stood: a function of time over one sweep, crank degrees.

    `kinks_s` are the places it bends at. `reading_deg` is the standard deviation of a reading about the path, as the
    bins show it: smoothing makes neighbours alike, so a sum over the path errs as a sum over such readings does.
    """

    spline: EvenSpline
    first_s: float
    last_s: float
    kinks_s: Floats
    bin_s: float
    reading_deg: float
    smoothness: tuple[float, float]      # log λ before the kinks are known, and with them
    ripple: tones.Ripple | None = None

    def __call__(self, time_s: Floats) -> Floats:
        smooth = self.spline(np.minimum(np.maximum(time_s, self.first_s), self.last_s))
        return smooth if self.ripple is None else smooth + self.ripple(time_s)

    def speed(self, time_s: Floats) -> Floats:
        """Degrees per second."""
        smooth = self.spline.rate(np.minimum(np.maximum(time_s, self.first_s), self.last_s))
        return smooth if self.ripple is None else smooth + self.ripple.speed(time_s)

    def near_kink(self, time_s: Floats, before_s: float, after_s: float) -> Flags:
        """Times within the given spans of a kink."""
        if not len(self.kinks_s):
            return np.zeros(len(time_s), dtype=bool)
        at = np.searchsorted(self.kinks_s, time_s)
        ahead = self.kinks_s[np.minimum(at, len(self.kinks_s) - 1)] - time_s
        behind = time_s - self.kinks_s[np.maximum(at - 1, 0)]
        return np.asarray(((ahead >= 0.0) & (ahead <= before_s)) | ((behind >= 0.0) & (behind <= after_s)))


def trace_path(time_s: Floats, angle_deg: Floats, near: tuple[float, float] | None = None,
               bin_s: float | None = None, line_deg: float = 0.0, at_lines: bool = False) -> Path | None:
    """The path through one sweep's readings, shape (n,) each; None when there are too few.

    Readings are at their nearest line; times do not decrease. `near` is the smoothness of a like sweep: λ is looked
    for from there. `bin_s` is the width of the bins, where it is not to follow from the readings. `line_deg` is the
    standard deviation of a reading at its nearest line: where the readings scatter by more, a ripple is looked for.
    `at_lines`: each reading stands where a line is passed.
    """
    bins = _binned(time_s, angle_deg, bin_s, centred=not at_lines)
    if bins is None:
        return None
    smooth = _through(bins, near)
    if at_lines and bins.weight[bins.weight > 0.0].mean() < FEW_READINGS:
        first = smooth
        for _ in range(ASIDE_ROUNDS):
            bins = bins.along(smooth.spline(bins), time_s, angle_deg)
            smooth = _through(bins, near)
        # through a line or two in each bin a path goes nearly where they are, whatever it does between them
        smooth = replace(smooth, noise=max(smooth.noise, first.noise))
    if line_deg <= 0.0:
        return _path(time_s, bins, smooth)
    along = smooth.spline(bins)(time_s)
    found = tones.find(time_s, angle_deg - along, along, bins.place, bins.width, bins.stands, line_deg)
    if found is None:
        return _path(time_s, bins, smooth)
    # with the ripple taken out the rest is smoother, and shows the ripple better
    for _ in range(RIPPLE_ROUNDS):
        bins = bins.of(time_s, angle_deg - found(time_s))
        smooth = _through(bins, None)
        along = smooth.spline(bins)(time_s)
        again = tones.find(time_s, angle_deg - along, along + found(time_s), bins.place, bins.width, bins.stands,
                           line_deg)
        found = found if again is None else again
    bins = bins.of(time_s, angle_deg - found(time_s))
    return _path(time_s, bins, _through(bins, None), found)


@dataclass(frozen=True)
class _Smooth:
    """Values of the bins smoothed, where they may kink, a reading's standard deviation, λ before and with the kinks."""

    values: Floats
    free: Flags
    noise: float
    smoothness: tuple[float, float]

    def spline(self, bins: _Bins) -> EvenSpline:
        # a bin's mean stands off its middle by B²/24 of the curvature
        bend = np.zeros_like(self.values)
        bend[1:-1] = np.diff(self.values, 2) / 24.0
        bend[1:-1][_wide(self.free, len(self.values))[1:-1]] = 0.0
        return EvenSpline(float(bins.centre[0]), bins.width, self.values - bend)


def _through(bins: _Bins, near: tuple[float, float] | None) -> _Smooth:
    """Smooth the bins, once more where a first pass finds the path kinked."""
    free = np.zeros(len(bins.centre) - ORDER, dtype=bool)
    for at in bins.stands:
        free[max(0, at - ORDER):at + 1] = True
    smooth, noise, power = _smoothest(bins.value, bins.weight, free, near[0] if near else None)
    stiff = power
    kinked = _kinked(smooth, free)
    if kinked.any():
        free |= kinked
        smooth, noise, power = _smoothest(bins.value, bins.weight, free, near[1] if near else power)
    return _Smooth(smooth, free, noise, (stiff, power))


def _path(time_s: Floats, bins: _Bins, smooth: _Smooth, found: tones.Ripple | None = None) -> Path:
    places = bins.centre[np.flatnonzero(smooth.free) + 1]
    return Path(smooth.spline(bins), float(time_s[0]), float(time_s[-1]), places, bins.width, smooth.noise,
                smooth.smoothness, found)


def _wide(free: Flags, count: int) -> Flags:
    flags = np.zeros(count, dtype=bool)
    for shift in range(ORDER + 1):
        flags[shift:shift + len(free)] |= free
    return flags


@dataclass(frozen=True)
class _Bins:
    """Bin centres, mean readings, counts, the bin of each reading, the bins at which a stand begins or ends, width."""

    centre: Floats
    value: Floats
    weight: Floats
    place: npt.NDArray[np.int64]
    stands: list[int]
    width: float

    def of(self, time_s: Floats, angle_deg: Floats) -> _Bins:
        """The same bins of other readings at the same times."""
        return replace(self, value=_means(time_s, angle_deg, self.place, self.weight, self.centre, self.width))

    def along(self, spline: EvenSpline, time_s: Floats, angle_deg: Floats) -> _Bins:
        """The same bins, their readings brought to the middles along a path.

        A speed that follows from the bins themselves is off where each holds a line or two, and errs with the lines.
        """
        off = np.bincount(self.place, angle_deg - spline(time_s), len(self.centre)) / np.maximum(self.weight, 1.0)
        return replace(self, value=np.where(self.weight > 0, spline(self.centre) + off, 0.0))


def _means(time_s: Floats, angle_deg: Floats, place: npt.NDArray[np.int64], weight: Floats, centre: Floats,
           width: float) -> Floats:
    """Mean reading of each bin, 0 of an empty one."""
    count, full = len(centre), np.maximum(weight, 1.0)
    value = np.bincount(place, angle_deg, count) / full
    # readings that lie to one side of a bin's middle are brought there at the local speed
    off = np.where(weight > 0, np.bincount(place, time_s, count) / full - centre, 0.0)
    seen = weight > 0
    speed = np.gradient(np.interp(centre, centre[seen], value[seen]), width)
    return np.where(seen, value - off * speed, 0.0)


def _binned(time_s: Floats, angle_deg: Floats, bin_s: float | None, *, centred: bool) -> _Bins | None:
    """The readings in bins of equal time; None when there are too few.

    `centred`: where each has a bin of its own it stands in the middle of it.
    """
    n = len(time_s)
    span = float(time_s[-1] - time_s[0]) if n else 0.0
    if n < LEAST_BINS or span <= 0.0:
        return None
    starts = np.flatnonzero(np.concatenate([[True], np.diff(angle_deg) != 0.0]))
    stops = np.append(starts[1:], n)
    lasted = time_s[np.minimum(stops, n - 1)] - time_s[starts]
    usual = median(lasted)
    pace = span / (n - 1)
    width = bin_s or float(np.clip(LINES_PER_BIN * usual, max(SHORTEST_BIN_S, pace), max(LONGEST_BIN_S, pace)))
    count = int(np.clip(round(span / width), LEAST_BINS, MOST_BINS))
    width, begin = span / count, time_s[0]
    if centred and width < ONE_EACH * pace and count < MOST_BINS:
        # at the edges rounding would put none into one and two into the next
        count, begin = count + 1, begin - 0.5 * width
    place = np.minimum(((time_s - begin) / width).astype(int), count - 1)
    weight = np.bincount(place, minlength=count).astype(float)
    centre = begin + (np.arange(count) + 0.5) * width
    long = lasted > max(STAND_S, STAND_PACES * usual)
    stands = sorted({int(place[k]) for k in (*starts[long].tolist(), *(np.minimum(stops[long], n) - 1).tolist())
                     if 0 < place[k] < count - 1})
    value = _means(time_s, angle_deg, place, weight, centre, width)
    return _Bins(centre, value, weight, place, stands, width)


def _penalty(free: Flags, count: int) -> Floats:
    """Lower banded form of Dᵀ V D, shape (ORDER + 1, count)."""
    v = np.where(free, FREE, 1.0)
    taps = np.array([-1.0, 3.0, -3.0, 1.0])
    band = np.zeros((ORDER + 1, count))
    for lower in range(ORDER + 1):
        for k in range(ORDER + 1 - lower):
            band[lower, k:k + len(v)] += v * taps[k] * taps[k + lower]
    return band


def _smoothest(value: Floats, weight: Floats, free: Flags, near: float | None = None) -> tuple[Floats, float, float]:
    """The smooth path by restricted likelihood, a reading's standard deviation, and λ.

    The likelihood has one maximum in log λ in all but odd cases: it is walked to from `near` in coarse steps, then
    refined by a parabola.
    """
    count = len(value)
    band = _penalty(free, count)
    level = value[weight > 0].mean()
    y = np.where(weight > 0, value - level, 0.0)
    right = weight * y
    seen = int((weight > 0).sum())
    known: dict[float, tuple[float, Floats, float]] = {}

    def tried(power: float) -> tuple[float, Floats, float]:
        if power not in known:
            matrix = math.exp(power) * band
            matrix[0] += weight
            factor, failed = lapack.dpbtrf(matrix, lower=1, overwrite_ab=1)
            if failed:
                known[power] = math.inf, y, math.inf
                return known[power]
            theta, _ = lapack.dpbtrs(factor, right, lower=1)
            left = max(float(right @ (y - theta)), 1e-18)
            logdet = 2.0 * float(np.log(factor[0]).sum())
            known[power] = (seen - ORDER) * math.log(left) + logdet - (count - ORDER) * power, theta, left
        return known[power]

    at = min(range(len(SMOOTHNESS)), key=lambda k: abs(SMOOTHNESS[k] - (MIDDLE if near is None else near)))
    for _ in SMOOTHNESS:
        low, high = max(at - 1, 0), min(at + 1, len(SMOOTHNESS) - 1)
        best = min((low, at, high), key=lambda k: tried(SMOOTHNESS[k])[0])
        if best == at:
            break
        at = best
    power = SMOOTHNESS[at]
    if low < at < high:
        before, middle, after = (tried(SMOOTHNESS[k])[0] for k in (low, at, high))
        bend = before - 2.0 * middle + after
        away = (SMOOTHNESS[1] - SMOOTHNESS[0]) * 0.5 * (before - after) / bend if 0.0 < bend < math.inf else 0.0
        power += away if math.isfinite(tried(power + away)[0]) else 0.0
    _, theta, left = tried(power)
    return theta + level, math.sqrt(left / max(seen - ORDER, 1)), power


def _kinked(smooth: Floats, free: Flags) -> Flags:
    """Third differences far beyond the others: the shaft was stopped or let go there."""
    third = np.abs(np.diff(smooth, ORDER))
    usual = 1.4826 * median(third[~free]) if (~free).any() else 0.0
    if usual <= 0.0:
        return np.zeros(len(third), dtype=bool)
    return np.asarray(binary_dilation(third > KINK * usual) & ~free)
