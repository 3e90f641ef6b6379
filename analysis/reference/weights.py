"""Weights of the points from the residuals they leave.

The angle has noise too (encoder steps), which a slope f′ turns into lift: var ε = s₀² + (f′ s₁)². s₀ and s₁ are
estimated from the residuals at low and high slope, and points beyond 4.5 standard deviations are left out (spikes).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.quantiles import median
from analysis.reference.points import Points

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
OUTLIER = 4.5
HUBER = 2.5


class Weigher:
    """What the weights of a trace's points depend on beside the residuals.

    The variance of a point is s0²/count, or what a held lift is worth, + (slope · s1)²; its weight is s0² over it.

    Parameters
    ----------
    allowed : ndarray of bool, shape (n,)
        Points that may have any.
    gentle : bool
        Far points keep a falling weight (Huber) instead of none.
    """

    def __init__(self, points: Points, allowed: Flags, *, gentle: bool = False) -> None:
        self._allowed, self._gentle = allowed, gentle
        self._open = allowed & ~points.spiky
        self._part, self._rough, self._drawn = 1.0 / points.count, points.rough_deg**2, points.drawn_deg**2
        self._held = points.held**2
        usual = self._open & (points.count < 4.0)
        moving = usual & (points.held == 0.0)
        if moving.sum() >= 0.3 * allowed.sum():
            usual = moving
        seen = usual & (points.rough_deg == 0.0)
        self._told = bool(seen.sum() >= 0.3 * allowed.sum())
        if not self._told:
            seen = usual
        if seen.sum() < 8:
            seen = allowed
        self._seen = np.flatnonzero(seen)
        self._part_seen, self._held_seen = self._part[self._seen], self._held[self._seen]
        self._rough_seen = self._rough[self._seen]
        self._root = np.sqrt(np.minimum(points.count[self._seen], 1.0))

    def __call__(self, residual: Floats, slope: Floats) -> tuple[float, float, Floats]:
        """Noise of lift and of angle from the residuals at low and high slope, and weights with outliers at 0."""
        f2, square = slope**2, residual**2
        f2_seen, square_seen = f2[self._seen], square[self._seen]
        known = f2_seen * self._rough_seen if self._told else 0.0
        s0sq, s1sq = _two_noises(np.abs(residual[self._seen]) * self._root, f2_seen)
        for _ in range(2):
            own = np.maximum(s0sq * self._part_seen, self._held_seen)
            ratio = square_seen / (own + np.maximum(s1sq * f2_seen, known))
            inside = ratio < OUTLIER**2
            if inside.sum() < 0.5 * len(inside):
                break
            # the medians fix the scale roughly; the inliers fix it efficiently
            scale = float(ratio[inside].mean())
            s0sq, s1sq = s0sq * scale, s1sq * scale
        own = np.maximum(s0sq * self._part, self._held)
        variance = own + np.maximum(s1sq * f2, f2 * self._rough if self._told else 0.0)
        # a smoothed angle errs little but alike for long: it is worth what the readings behind it are
        worth = np.maximum(variance, own + f2 * self._drawn)
        if self._gentle:
            far = np.maximum(np.abs(residual) / np.sqrt(variance), HUBER)
            weight = np.where(self._open, s0sq / worth * HUBER / far, 0.0)
        else:
            weight = np.where(self._allowed & (square < OUTLIER**2 * variance), s0sq / worth, 0.0)
        return float(np.sqrt(s0sq)), float(np.sqrt(s1sq)), weight


def _two_noises(residual: Floats, f2: Floats) -> tuple[float, float]:
    """Variances of lift and angle from the sizes of residuals where the slope (squared: `f2`) is low and high."""
    low, high = _thirds(f2)
    v_low, v_high = ((1.4826 * median(residual[part])) ** 2 for part in (low, high))
    g_low, g_high = float(f2[low].mean()), float(f2[high].mean())
    s1sq = max(0.0, (v_high - v_low) / (g_high - g_low)) if g_high > g_low * 1.001 + 1e-15 else 0.0
    if s1sq == 0.0:
        return max((1.4826 * median(residual)) ** 2, 1e-14), 0.0
    return max(v_low - s1sq * g_low, 0.02 * v_low, 1e-14), s1sq


def _thirds(values: Floats) -> tuple[Flags, Flags]:
    """The lowest and the highest three tenths; as by quantiles, in half the time."""
    last = len(values) - 1
    below, above = int(0.3 * last), min(int(0.7 * last) + 1, last)
    ordered = np.partition(values, (below, above))
    return values <= ordered[below], values >= ordered[above]
