"""Bisecting: the crest as the middle of two equal displacements, at many levels.

At lift level L the left flank is crossed at a(L) and the right flank at b(L); for a datum symmetric about its
crest every chord has its middle there, m(L) = (a + b)/2. Levels between a tenth and nine tenths of the lift are
used: lower the ramps, higher the flat of the crest say little (metrology 1.3). The median over the levels is the
bisected crest; m against L is the *midline*, whose drift shows a probe that misses the shaft's axis or a worn
lobe (10.3). The bisected crest starts the model fit, which is what the result stands on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis.quantiles import median

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
LEVELS = 33
LOW, HIGH = 0.1, 0.9


@dataclass(frozen=True)
class Midline:
    """Chord middles of one sweep.

    level : ndarray, shape (m,), lift units
    left_deg, right_deg : ndarray, shape (m,), crank degrees of the flanks
    crest_deg : float or None, median of the middles; None when no chord has both ends
    across_deg : ndarray, shape (m,), crank degrees between the points of a flank, the wider of the two
    """

    level: Floats
    left_deg: Floats
    right_deg: Floats
    crest_deg: float | None
    across_deg: Floats

    def told(self, across_deg: float) -> Midline:
        """The chords whose ends lie between points at most so far apart."""
        near = self.across_deg <= across_deg
        return replace(self, level=self.level[near], left_deg=self.left_deg[near], right_deg=self.right_deg[near],
                       across_deg=self.across_deg[near])

    @property
    def middle_deg(self) -> Floats:
        """Chord middles, crank degrees, shape (m,)."""
        return (self.left_deg + self.right_deg) / 2.0


def bisect(angle_deg: Floats, lift: Floats, low: float, high: float) -> Midline:
    """Bisect one sweep between the lifts `low` and `high` (base and crest).

    Parameters
    ----------
    angle_deg, lift : ndarray, shape (n,)
        Points in order of time; either sense.
    """
    order = np.argsort(angle_deg, kind="stable")
    angle, smooth = angle_deg[order], median_filter(lift[order], 5, mode="nearest")
    levels = low + (high - low) * np.linspace(LOW, HIGH, LEVELS)
    # the first place above a level is where the largest value so far passes it
    up = np.searchsorted(np.maximum.accumulate(smooth), levels, side="right")
    down = len(smooth) - 1 - np.searchsorted(np.maximum.accumulate(smooth[::-1]), levels, side="right")
    both = (up > 0) & (up < len(smooth)) & (down >= 0) & (down < len(smooth) - 1)
    levels, up, down = levels[both], up[both], down[both]
    left, right = _crossings(angle, smooth, up - 1, levels), _crossings(angle, smooth, down, levels)
    steps = np.diff(angle)
    return Midline(levels, left, right, median((left + right) / 2.0) if len(levels) else None,
                   np.maximum(steps[up - 1], steps[down]))


def below(angle_deg: Floats, lift: Floats, level: float) -> tuple[list[float], list[float]]:
    """Where one sweep comes up to a level on the left, and falls to it on the right: one angle each, crank degrees.

    None of a side on which the sweep begins or ends above the level, as where the recording was started on the flank.
    """
    order = np.argsort(angle_deg, kind="stable")
    angle, smooth = angle_deg[order], median_filter(lift[order], 5, mode="nearest")
    above = np.flatnonzero(smooth > level)
    if not len(above):
        return [], []
    first, last = above[[0]], above[[-1]]
    at = np.array([level])
    left = _crossings(angle, smooth, first - 1, at).tolist() if first[0] > 0 else []
    right = _crossings(angle, smooth, last, at).tolist() if last[0] < len(angle) - 1 else []
    return left, right


def _crossings(angle: Floats, lift: Floats, before: Ints, levels: Floats) -> Floats:
    """Angles at which the straight lines from the points `before` to their neighbours meet the levels."""
    rise = lift[before + 1] - lift[before]
    part = np.where(rise == 0.0, 0.5, (levels - lift[before]) / np.where(rise == 0.0, 1.0, rise))
    return np.asarray(angle[before] + part * (angle[before + 1] - angle[before]))
