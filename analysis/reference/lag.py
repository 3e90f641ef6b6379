"""How far behind the shaft a late probe is: a pure delay, or a first-order filter, on the shaft's path.

Both depend on the lag itself where the speed changes, so the angle behind is worked out for some lags and read between
them; each only when it is asked for.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import blas

from analysis.reference.lines import Readings
from analysis.reference.path import Path
from analysis.reference.ripple import Ripple

Floats = npt.NDArray[np.float64]

FILTER_PACE_S = 0.02
LAGS_S = (0.005, 0.015, 0.03, 0.045, 0.06, 0.08, 0.11)


class Behind:
    """What the sweeps' readings (see `lines`) are behind their path, averaged over each point as their lifts are.

    At a point's mean time alone the shaft may be anywhere in a ripple of its speed that the point averages over.
    """

    def __init__(self, sweeps: list[Readings]) -> None:
        self._sweeps = sweeps
        self._known: dict[tuple[int, bool], Floats] = {}

    def ripples(self) -> list[Ripple]:
        """The ripples that were followed, of each sweep that has one."""
        return [one.path.ripple for one in self._sweeps if one.path is not None and one.path.ripple is not None]

    def late(self, lag_s: float, filtered: bool) -> Floats:
        """How far behind the probe is for each second of lag, crank degrees per second, for all points."""
        lag = min(max(lag_s, LAGS_S[0]), LAGS_S[-1])
        k = min(int(np.searchsorted(LAGS_S, lag, side="right")) - 1, len(LAGS_S) - 2)
        part = (lag - LAGS_S[k]) / (LAGS_S[k + 1] - LAGS_S[k])
        return np.asarray((1.0 - part) * self._row(k, filtered) + part * self._row(k + 1, filtered))

    def _row(self, k: int, filtered: bool) -> Floats:
        if (k, filtered) not in self._known:
            rows = [one.mean(_behind(one.path, one.time_s, LAGS_S[k], filtered)) for one in self._sweeps]
            self._known[k, filtered] = np.concatenate(rows)
        return self._known[k, filtered]


def _behind(path: Path | None, time_s: Floats, lag_s: float, filtered: bool) -> Floats:
    """How far a probe late by `lag_s` is behind, over the lag, crank degrees per second, shape (len(time_s),)."""
    if path is None:
        return np.zeros(len(time_s))
    if not filtered:
        return (path(time_s) - path(time_s - lag_s)) / lag_s
    pace = min(path.bin_s, FILTER_PACE_S)
    grid = np.arange(path.first_s, path.last_s + pace, pace)
    along = path(grid)
    return np.interp(time_s, grid, (along - _filtered(along, pace, lag_s)) / lag_s)


def _filtered(path: Floats, pace: float, lag_s: float) -> Floats:
    """First-order filter of a path that is straight between its points (exact for such a path)."""
    keep = float(np.exp(-pace / lag_s))
    slide = lag_s / pace * (1.0 - keep)
    driven = np.concatenate([path[:1], (1.0 - slide) * path[1:] + (slide - keep) * path[:-1]])
    # y[k] − keep·y[k−1] = driven[k]; as a banded system, since scipy.signal takes half a second to load
    band = np.empty((2, len(path)), order="F")
    band[0], band[1] = 1.0, -keep
    return np.asarray(blas.dtbsv(1, band, driven, lower=1, diag=1, overwrite_x=1))
