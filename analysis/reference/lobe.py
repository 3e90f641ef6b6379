"""Bisecting: the crest as the middle of two equal displacements, at many levels.

At lift level L the left flank is crossed at a(L) and the right flank at b(L); for a datum symmetric about its
crest every chord has its middle there, m(L) = (a + b)/2. Levels between a tenth and nine tenths of the lift are
used: lower the ramps, higher the flat of the crest say little (metrology 1.3). The median over the levels is the
bisected crest; m against L is the *midline*, whose drift shows a probe that misses the shaft's axis or a worn
lobe (10.3). The bisected crest starts the model fit, which is what the result stands on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

Floats = npt.NDArray[np.float64]
LEVELS = 33
LOW, HIGH = 0.1, 0.9


@dataclass(frozen=True)
class Midline:
    """Chord middles of one sweep.

    level : ndarray, shape (m,), lift units
    left_deg, right_deg : ndarray, shape (m,), crank degrees of the flanks
    crest_deg : float or None, median of the middles; None when no chord has both ends
    """

    level: Floats
    left_deg: Floats
    right_deg: Floats
    crest_deg: float | None

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
    left, right = np.full(LEVELS, np.nan), np.full(LEVELS, np.nan)
    for k, level in enumerate(levels):
        above = np.flatnonzero(smooth > level)
        if len(above) and above[0] > 0:
            left[k] = _crossing(angle, smooth, above[0] - 1, above[0], level)
        if len(above) and above[-1] < len(angle) - 1:
            right[k] = _crossing(angle, smooth, above[-1], above[-1] + 1, level)
    both = np.isfinite(left) & np.isfinite(right)
    crest = float(np.median((left + right)[both] / 2.0)) if both.any() else None
    return Midline(levels[both], left[both], right[both], crest)


def _crossing(angle: Floats, lift: Floats, a: int, b: int, level: float) -> float:
    """Angle at which the straight line between two neighbours meets the level."""
    rise = float(lift[b] - lift[a])
    part = (level - float(lift[a])) / rise if rise else 0.5
    return float(angle[a] + part * (angle[b] - angle[a]))
