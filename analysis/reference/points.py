"""The working data of a fit: a trace reduced to the points that carry its information.

Samples are averaged in blocks of equal count where there are more than the fit needs; spikes are taken out of a
block against its median before averaging. The mean of a block that spans little angle is as good as its samples:
the bend it hides is a quarter of a micrometre for a tenth of a degree on a piston.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis.sweeps import Sweep

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

WANTED_POINTS = 6000
DENSE_POINTS = 120_000    # what is worked on sample by sample; more is averaged in plain blocks first
STALL_POINTS = 6          # equal encoder readings in a row before it counts as standing still
SPEED_SPAN_S = 0.15       # half width of the difference that gives the local speed


@dataclass(frozen=True)
class Points:
    """Columns of equal length n, in order of time.

    time_s; angle_deg (crank, cumulative); lift (scaled: see `scale`); sweep (index); sense (+1, -1);
    speed (crank degrees per second, signed); count (samples in the point, 1 for the usual
    number); spiky (flag: stands out of its neighbourhood).
    `scale` is what lift was divided by to stand in millimetres or, for raw counts, in twentieths of their range.
    """

    time_s: Floats
    angle_deg: Floats
    lift: Floats
    sweep: Ints
    sense: Floats
    speed: Floats
    spiky: Flags
    count: Floats
    samples_per_point: int
    scale: float = 1.0

    def __len__(self) -> int:
        return len(self.time_s)

    def only(self, keep: Flags) -> Points:
        """The points for which `keep` holds."""
        return replace(self, **{name: getattr(self, name)[keep] for name in (
            "time_s", "angle_deg", "lift", "sweep", "sense", "speed", "spiky", "count")})


def gather(time_s: Floats, angle_deg: Floats, lift: Floats, sweeps: list[Sweep], *, scale: float = 1.0) -> Points:
    """Reduce the samples of the sweeps to points; arguments of shape (n,)."""
    total = sum(sweep.stop - sweep.start for sweep in sweeps)
    first = max(1, total // DENSE_POINTS)
    columns: list[tuple[Floats, ...]] = []
    for sweep in sweeps:
        part = slice(sweep.start, sweep.stop)
        columns.append(_blocks(time_s[part], angle_deg[part], lift[part], first))
    per_point = max(1, sum(len(c[0]) for c in columns) // WANTED_POINTS)
    parts = [_merged(*c, per_point) for c in columns]
    sizes = [len(part[0]) for part in parts]
    time_p, angle_p, lift_p, count_p, spiky, speed = (np.concatenate([part[k] for part in parts]) for k in range(6))
    sweep_p = np.repeat(np.arange(len(sweeps)), sizes)
    sense = np.repeat([float(s.sense) for s in sweeps], sizes)
    return Points(time_p, angle_p, lift_p / scale, sweep_p, sense, speed, spiky > 0.0, count_p, first * per_point, scale)


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


def _merged(time_s: Floats, angle_deg: Floats, lift: Floats, per_point: int) -> tuple[Floats, ...]:
    """Time, angle, lift, count, spiky and speed of points of `per_point` samples, with stalls as single points.

    While the shaft stands, every sample has the same encoder error: a thousand of them are one observation.
    """
    n = len(time_s)
    speed = local_speed(time_s, angle_deg)
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
    means = [np.add.reduceat(column * weight, edges) / counts for column in (time_s, angle_deg, lift, speed)]
    return means[0], means[1], means[2], counts / per_point, (kept == 0.0).astype(float), means[3]


def local_speed(time_s: Floats, angle_deg: Floats) -> Floats:
    """Crank degrees per second over +-SPEED_SPAN_S (wider where samples are sparser)."""
    if len(time_s) < 3 or time_s[-1] <= time_s[0]:
        return np.zeros(len(time_s))
    pace = float(np.median(np.diff(time_s)))
    span = max(SPEED_SPAN_S, 3.0 * pace)
    before = np.clip(time_s - span, time_s[0], time_s[-1])
    after = np.clip(time_s + span, time_s[0], time_s[-1])
    moved = np.interp(after, time_s, angle_deg) - np.interp(before, time_s, angle_deg)
    return moved / np.maximum(after - before, 1e-9)


def _stands_out(lift: Floats) -> Flags:
    """Samples more than eight robust deviations from the median of their eleven neighbours."""
    if len(lift) < 12:
        return np.zeros(len(lift), dtype=bool)
    away = np.abs(lift - median_filter(lift, 11, mode="nearest"))
    typical = float(np.median(away[away > 0.0])) * 1.4826 if (away > 0.0).any() else 0.0
    flags = away > 8.0 * max(typical, 1e-12)
    flags[:6] = flags[-6:] = False
    return np.asarray(flags, dtype=bool)
