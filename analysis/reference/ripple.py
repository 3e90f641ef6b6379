"""A ripple of the shaft's speed that is quicker than a smooth path can follow.

A motor, a worm or a mesh of teeth makes the shaft run on and hang back many times a second, by a part of an encoder
line where the shaft turns slowly. A path smooth enough to average the lines takes that out with them; the lobe, which
may have any shape, then fits it as waves of its own where the phases of forward and reverse allow, and the crest goes
to where they do. In the readings the ripple shows as a line in the spectrum of what the smooth path leaves, and by
more than the encoder's lines can do: a reading at its nearest line errs by step/√12 about the truth, however the lines
beat with the samples. So tones are taken in one by one while the readings scatter by more than that, and one that would
leave less than that is a beat of the lines and not of the shaft. Where a path that bends somewhat too little lets the
readings scatter by a little more, the loudest tone may be a beat all the same: one that the smooth path read at its
nearest line shows as well is not believed, nor one that the readings themselves do not show, since the bins in which
it is looked for fold what is quicker than they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import optimize

from analysis.quantiles import median

Floats = npt.NDArray[np.float64]

MOST_TONES = 6
LEAST_PEAK = 300.0        # over the median of the spectrum
LEAST_SCATTER = 1.03      # of the variance of readings at their nearest line, for a tone to be looked for,
LEAST_LEFT = 0.9          # and with it taken out
LEAST_BINS, LEAST_TURNS = 64, 4.0
LEAST_GAIN = 35.0         # of chi square of the readings, that a tone takes out of them
PLACES = (0.0, 0.21, 0.43, 0.68)      # of the lines along the path, in steps
OF_LINES = 2.0            # times what the path, read at its nearest line, shows of a tone: less may be a beat


@dataclass(frozen=True)
class Ripple:
    """Σ aₖ cos ωₖ(t − from) + bₖ sin ωₖ(t − from) from `from_s` to `to_s`, crank degrees; what it ends at beyond."""

    from_s: float
    to_s: float
    rates: Floats             # ω, radians a second, shape (k,)
    sizes: Floats             # a of all, then b of all, shape (2k,)

    def __call__(self, time_s: Floats) -> Floats:
        """Crank degrees, shape (len(time_s),)."""
        return np.asarray(_waves(self._since(time_s), self.rates) @ self.sizes)

    @property
    def loudest(self) -> tuple[float, float]:
        """How often the largest tone comes, hertz, and how far the shaft runs on or hangs back by it, crank degrees."""
        reach = np.hypot(*self.sizes.reshape(2, -1))
        largest = int(reach.argmax())
        return float(self.rates[largest]) / (2.0 * math.pi), float(reach[largest])

    def speed(self, time_s: Floats) -> Floats:
        """Crank degrees a second, shape (len(time_s),)."""
        k = len(self.rates)
        turned = np.concatenate([self.rates * self.sizes[k:], -self.rates * self.sizes[:k]])
        moving = (time_s >= self.from_s) & (time_s <= self.to_s)
        return np.asarray(np.where(moving, _waves(self._since(time_s), self.rates) @ turned, 0.0))

    def _since(self, time_s: Floats) -> Floats:
        return np.asarray(np.minimum(np.maximum(time_s, self.from_s), self.to_s) - self.from_s)


def _waves(since_s: Floats, rates: Floats) -> Floats:
    """Cosines, then sines; shape (n, 2k)."""
    turn = since_s[:, None] * rates
    return np.hstack([np.cos(turn), np.sin(turn)])


def find(time_s: Floats, away: Floats, path_deg: Floats, place: npt.NDArray[np.int64], width_s: float,
         stands: list[int], line_deg: float) -> Ripple | None:
    """The ripple in what a smooth path leaves of the readings; None where lines explain it, or nothing periodic does.

    Parameters
    ----------
    time_s, away : ndarray, shape (n,)
        The readings' times, and how far they stand from the path, crank degrees.
    path_deg : ndarray, shape (n,)
        The path at these times, with what is known of a ripple.
    place : ndarray of int, shape (n,)
        The bin of each reading; bins are `width_s` wide.
    stands : list of int
        Bins at which the shaft begins or ends to stand: looked at is the longest part between two of them.
    line_deg : float
        Standard deviation of a reading at its nearest line.
    """
    ends = [-1, *stands, int(place[-1]) + 1]
    first, last = max(pairwise(ends), key=lambda pair: pair[1] - pair[0])
    mine = (place > first) & (place < last)
    count = last - first - 1
    if count < LEAST_BINS or int(mine.sum()) < count or line_deg <= 0.0:
        return None
    time, left = time_s[mine], away[mine] - away[mine].mean()
    if float(left.var()) < LEAST_SCATTER * line_deg**2:
        return None
    bins = place[mine] - first - 1
    full = np.maximum(np.bincount(bins, minlength=count), 1)
    since = time - time[0]
    centre = np.arange(0.5, count, 1.0) * width_s
    rates: list[float] = []
    sizes = np.zeros(0)
    readings = left
    while len(rates) < MOST_TONES and float(left.var()) >= LEAST_SCATTER * line_deg**2:
        rate = _loudest(centre, np.bincount(bins, left, count) / full, width_s)
        if rate is None or any(abs(rate - known) < math.pi / (count * width_s) for known in rates):
            break
        waves = _waves(since, np.array([*rates, rate]))
        # least squares of the small system: readings that are few and far between may not tell the tones apart
        tried = np.linalg.lstsq(waves.T @ waves, waves.T @ readings, rcond=None)[0]
        rest = readings - waves @ tried
        if float(rest.var()) < LEAST_LEFT * line_deg**2:
            break
        if (float(left.var()) - float(rest.var())) * len(rest) < LEAST_GAIN * line_deg**2:
            break
        size = float(np.hypot(tried[len(rates)], tried[-1]))
        if size < OF_LINES * _of_lines(since, path_deg[mine], rate, line_deg):
            break
        rates, sizes, left = [*rates, rate], tried, rest
    return Ripple(float(time[0]), float(time[-1]), np.array(rates), sizes) if rates else None


def _of_lines(since_s: Floats, path_deg: Floats, rate: float, line_deg: float) -> float:
    """How large a tone the lines make of a path: root mean square over where they stand, crank degrees."""
    step = line_deg * math.sqrt(12.0)
    turn = np.exp(-1j * rate * since_s)
    sizes = []
    for part in PLACES:
        lines = path_deg / step + part
        sizes.append(2.0 * abs(complex(np.mean((np.rint(lines) - lines) * turn))) * step)
    return math.sqrt(float(np.mean(np.square(sizes))))


def _loudest(centre: Floats, away: Floats, width_s: float) -> float | None:
    """Rate of the loudest tone in equally spaced values, radians a second; None where none stands out."""
    count = len(away)
    window = np.hanning(count) * (away - away.mean())
    power = np.abs(np.fft.rfft(window)) ** 2
    power[:math.ceil(LEAST_TURNS)] = 0.0
    peak = int(power.argmax())
    if power[peak] < LEAST_PEAK * max(median(power[power > 0.0]), 1e-300):
        return None
    grid = 2.0 * math.pi / (count * width_s)

    def quiet(rate: float) -> float:
        return -abs(complex(np.exp(-1j * rate * centre) @ window))

    found = optimize.minimize_scalar(quiet, bounds=((peak - 1.0) * grid, (peak + 1.0) * grid), method="bounded",
                                     options={"xatol": 1e-4 * grid})
    return float(found.x)
