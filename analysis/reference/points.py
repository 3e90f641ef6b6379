"""The working data of a fit: a trace reduced to the points that carry its information.

Samples are averaged in blocks of equal count where there are more than the fit needs; spikes are taken out of a
block against its median before averaging. The mean of a block that spans little angle is as good as its samples:
the bend it hides is a quarter of a micrometre for a tenth of a degree on a piston.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d
from scipy.signal import lfilter, savgol_filter

from analysis.sweeps import Sweep, encoder_step

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

WANTED_POINTS = 4000
DENSE_POINTS = 120_000    # what is worked on sample by sample; more is averaged in plain blocks first
STALL_POINTS = 6          # equal encoder readings in a row before it counts as standing still
SPEED_SPAN_S = 0.25       # half width of the cubic that gives the local speed
ANGLE_SPAN_S = 0.12       # half width of the cubic that smooths the encoder's steps
PATH_SPAN_S = 0.16        # half width of the cubic from which a late probe's angle is taken
WIDE_SPAN_S = 0.6         # and where the shaft turns evenly
LAGS_S = (0.005, 0.015, 0.03, 0.045, 0.06, 0.08, 0.11)
ANGLE_TRUST = 0.75        # of a step: how far a smoothed angle may stand from what was read


@dataclass(frozen=True)
class Points:
    """Columns of equal length n, in order of time.

    time_s; angle_deg (crank, cumulative); lift (scaled: see `scale`); sweep (index); sense (+1, -1);
    speed (crank degrees per second, signed);
    behind (shape (m, n), see `motion`); count (samples in the point, 1 for the usual
    number); spiky (flag: stands out of its neighbourhood).
    `scale` is what lift was divided by to stand in millimetres or, for raw counts, in twentieths of their range.
    """

    time_s: Floats
    angle_deg: Floats
    lift: Floats
    sweep: Ints
    sense: Floats
    speed: Floats
    behind: Floats
    spiky: Flags
    count: Floats
    samples_per_point: int
    scale: float = 1.0

    def __len__(self) -> int:
        return len(self.time_s)

    def late(self, lag_s: float, filtered: bool) -> Floats:
        """How far behind the probe is for each second of lag, crank degrees per second, shape (n,)."""
        rows = self.behind[len(LAGS_S):] if filtered else self.behind[:len(LAGS_S)]
        lag = float(np.clip(lag_s, LAGS_S[0], LAGS_S[-1]))
        k = min(int(np.searchsorted(LAGS_S, lag, side="right")) - 1, len(LAGS_S) - 2)
        part = (lag - LAGS_S[k]) / (LAGS_S[k + 1] - LAGS_S[k])
        return np.asarray((1.0 - part) * rows[k] + part * rows[k + 1])

    def only(self, keep: Flags) -> Points:
        """The points for which `keep` holds."""
        return replace(self, **{name: getattr(self, name)[keep] for name in (
            "time_s", "angle_deg", "lift", "sweep", "sense", "speed", "spiky", "count")},
            behind=self.behind[:, keep])


def gather(time_s: Floats, angle_deg: Floats, lift: Floats, sweeps: list[Sweep], *, scale: float = 1.0) -> Points:
    """Reduce the samples of the sweeps to points; arguments of shape (n,)."""
    total = sum(sweep.stop - sweep.start for sweep in sweeps)
    first = max(1, total // DENSE_POINTS)
    columns: list[tuple[Floats, Floats, Floats]] = []
    for sweep in sweeps:
        part = slice(sweep.start, sweep.stop)
        columns.append(_blocks(time_s[part], angle_deg[part], lift[part], first))
    step = encoder_step(angle_deg)
    per_point = max(1, sum(len(c[0]) for c in columns) // WANTED_POINTS)
    parts = [_merged(*c, per_point, step) for c in columns]
    sizes = [len(part[0]) for part in parts]
    time_p, angle_p, lift_p, count_p, spiky, speed, behind = (
        np.concatenate([part[k] for part in parts], axis=-1) for k in range(7))
    sweep_p = np.repeat(np.arange(len(sweeps)), sizes)
    sense = np.repeat([float(s.sense) for s in sweeps], sizes)
    return Points(time_p, angle_p, lift_p / scale, sweep_p, sense, speed, behind, spiky > 0.0, count_p,
                  first * per_point, scale)


def _blocks(time_s: Floats, angle_deg: Floats, lift: Floats, count: int) -> tuple[Floats, Floats, Floats]:
    """Means of `count` samples each, without those far from the block's median lift."""
    n = len(time_s) // count * count
    if count == 1 or n == 0:
        return time_s, angle_deg, lift
    time_b, angle_b, lift_b = (column[:n].reshape(-1, count) for column in (time_s, angle_deg, lift))
    middle = np.median(lift_b, axis=1, keepdims=True)
    away = np.abs(lift_b - middle)
    good = away <= np.maximum(8.0 * np.median(away, axis=1, keepdims=True), 1e-12)
    weight = good / good.sum(axis=1, keepdims=True)
    return (time_b * weight).sum(axis=1), (angle_b * weight).sum(axis=1), (lift_b * weight).sum(axis=1)


def _merged(time_s: Floats, angle_deg: Floats, lift: Floats, per_point: int, step_deg: float) -> tuple[Floats, ...]:
    """Time, angle, lift, count, spiky and speed of points of `per_point` samples, with stalls as single points.

    While the shaft stands, every sample has the same encoder error: a thousand of them are one observation.
    """
    n = len(time_s)
    moved, speed, behind = motion(time_s, angle_deg, step_deg)
    spiky = _stands_out(lift)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(angle_deg) != 0.0]))
    lengths = np.diff(np.append(starts, n))
    long = lengths > max(STALL_POINTS, 3 * per_point)
    edges = np.unique(np.concatenate([np.arange(0, n, per_point), starts[long], starts[long] + lengths[long]]))
    owner = np.searchsorted(starts, edges[edges < n], side="right") - 1
    inside = long[owner] & (edges[edges < n] != starts[owner])
    edges = edges[edges < n][~inside]
    weight = (~spiky).astype(float)
    kept = np.add.reduceat(weight, edges)
    weight[np.repeat(kept == 0.0, np.diff(np.append(edges, n)))] = 1.0
    counts = np.add.reduceat(weight, edges)
    means = [np.add.reduceat(column * weight, edges) / counts for column in (time_s, moved, lift, speed, *behind)]
    return means[0], means[1], means[2], counts / per_point, (kept == 0.0).astype(float), means[3], np.array(means[4:])


def motion(time_s: Floats, angle_deg: Floats, step_deg: float) -> tuple[Floats, Floats, Floats]:
    """The shaft's angle with the encoder's steps smoothed out, its speed, and how far a late probe is behind.

    A cubic through the neighbours in time (least squares, moving) follows any motion a barred engine makes; it is
    believed where it stays within the encoder's step of all that was read nearby, else the reading stands.

    Returns
    -------
    angle_deg, speed_deg_s : ndarray, shape (n,)
    behind_deg_s : ndarray, shape (2 * len(LAGS_S), n)
        For each lag a pure delay, then for each a first-order filter: angle less late angle, over the lag.
    """
    n = len(time_s)
    if n < 8 or time_s[-1] <= time_s[0]:
        return angle_deg, np.zeros(n), np.zeros((2 * len(LAGS_S), n))
    pace = max(float(time_s[-1] - time_s[0]) / 400_000.0, float(np.median(np.diff(time_s))), 1e-9)
    grid = np.arange(time_s[0], time_s[-1] + pace, pace)
    even = np.interp(grid, time_s, angle_deg)
    slow = _window(SPEED_SPAN_S, pace, len(even))
    speed = savgol_filter(even, slow, 3, deriv=1, delta=pace)
    path = _path(even, pace, step_deg)
    late = [(path - np.interp(grid - lag, grid, path)) / lag for lag in LAGS_S]
    late += [(path - _filtered(path, pace, lag)) / lag for lag in LAGS_S]
    behind = np.array([np.interp(time_s, grid, column) for column in late])
    fast = _window(ANGLE_SPAN_S, pace, len(even))
    smooth = savgol_filter(even, fast, 3)
    away = maximum_filter1d(np.abs(smooth - even), fast)
    at = np.clip(((time_s - time_s[0]) / pace).round().astype(int), 0, len(even) - 1)
    believed = away[at] <= ANGLE_TRUST * step_deg + 1e-9
    better = np.interp(time_s, grid, smooth)
    return np.where(believed, better, angle_deg), np.interp(time_s, grid, speed), behind


def _path(even: Floats, pace: float, step_deg: float) -> Floats:
    """The shaft's path for the lag: as smooth as the readings allow.

    Noise of the path is noise of the angle itself, and would be taken for lag: where the shaft turns evenly the
    wide cubic has next to none, and where it does not the narrow one follows.
    """
    narrow = savgol_filter(even, _window(PATH_SPAN_S, pace, len(even)), 3)
    wide_window = _window(WIDE_SPAN_S, pace, len(even))
    wide = savgol_filter(even, wide_window, 3)
    away = maximum_filter1d(np.abs(wide - even), wide_window)
    # fade from one to the other over the narrow window, or the seam would look like a jump of the speed
    believed = (away <= ANGLE_TRUST * step_deg + 1e-9).astype(float)
    share = uniform_filter1d(believed, _window(PATH_SPAN_S, pace, len(even)))
    return np.asarray(share * wide + (1.0 - share) * narrow)


def _filtered(path: Floats, pace: float, lag_s: float) -> Floats:
    """First-order filter of a path that is straight between its points (exact for such a path)."""
    keep = float(np.exp(-pace / lag_s))
    slide = lag_s / pace * (1.0 - keep)
    taps = [1.0 - slide, slide - keep]
    start = np.array([path[0] * (1.0 - taps[0])])
    return np.asarray(lfilter(taps, [1.0, -keep], path, zi=start)[0])


def _window(span_s: float, pace: float, most: int) -> int:
    """Odd number of points within +-span, at least 5 and no more than there are."""
    half = max(2, round(span_s / pace))
    return min(2 * half + 1, most if most % 2 else most - 1)


def _stands_out(lift: Floats) -> Flags:
    """Samples more than eight robust deviations from the median of their eleven neighbours."""
    if len(lift) < 12:
        return np.zeros(len(lift), dtype=bool)
    away = np.abs(lift - median_filter(lift, 11, mode="nearest"))
    typical = float(np.median(away[away > 0.0])) * 1.4826 if (away > 0.0).any() else 0.0
    flags = away > 8.0 * max(typical, 1e-12)
    flags[:6] = flags[-6:] = False
    return np.asarray(flags, dtype=bool)
