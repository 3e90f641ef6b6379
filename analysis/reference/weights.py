"""Weights of the points from the residuals they leave.

The angle has noise too (encoder steps), which a slope f′ turns into lift: var ε = s₀² + (f′ s₁)². s₀ and s₁ are
estimated from the residuals at low and high slope, and points beyond 4.5 standard deviations are left out (spikes).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.reference.points import Points

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
OUTLIER = 4.5
HUBER = 2.5


def reweigh(residual: Floats, slope: Floats, allowed: Flags, points: Points, *, gentle: bool = False
            ) -> tuple[float, float, Floats]:
    """Noise of lift and of angle from the residuals at low and high slope, and weights with outliers at 0.

    The variance of a point is s0²/count + (slope · s1)²; the weight is s0² over it.
    """
    f2 = slope**2
    known = f2 * points.rough_deg**2
    seen = allowed & ~points.spiky & (points.count < 4.0) & (points.rough_deg == 0.0)
    if seen.sum() < 0.3 * allowed.sum():
        seen = allowed & ~points.spiky & (points.count < 4.0)
        known = np.zeros_like(known)
    if seen.sum() < 8:
        seen = allowed
    r, g = np.abs(residual[seen]) * np.sqrt(np.minimum(points.count[seen], 1.0)), f2[seen]
    low, high = _thirds(g)
    v_low, v_high = ((1.4826 * _median(r[part])) ** 2 for part in (low, high))
    g_low, g_high = float(g[low].mean()), float(g[high].mean())
    s1sq = max(0.0, (v_high - v_low) / (g_high - g_low)) if g_high > g_low * 1.001 + 1e-15 else 0.0
    s0sq = max(v_low - s1sq * g_low, 0.02 * v_low, 1e-14)
    if s1sq == 0.0:
        s0sq = max((1.4826 * _median(r)) ** 2, 1e-14)
    variance = s0sq / points.count + np.maximum(s1sq * f2, known)
    for _ in range(2):
        inside = seen & (residual**2 < OUTLIER**2 * variance)
        if inside.sum() < 0.5 * seen.sum():
            break
        # the medians fix the scale roughly; the inliers fix it efficiently
        ratio = float(np.mean(residual[inside] ** 2 / variance[inside]))
        s0sq, s1sq = s0sq * ratio, s1sq * ratio
        variance = s0sq / points.count + np.maximum(s1sq * f2, known)
    # a smoothed angle errs little but alike for long: it is worth what the readings behind it are
    worth = np.maximum(variance, s0sq / points.count + f2 * points.drawn_deg**2)
    if gentle:
        far = np.maximum(np.abs(residual) / np.sqrt(variance), HUBER)
        weight = np.where(allowed & ~points.spiky, s0sq / worth * HUBER / far, 0.0)
    else:
        weight = np.where(allowed & (residual**2 < OUTLIER**2 * variance), s0sq / worth, 0.0)
    return float(np.sqrt(s0sq)), float(np.sqrt(s1sq)), weight


def _thirds(values: Floats) -> tuple[Flags, Flags]:
    """The lowest and the highest three tenths; as by quantiles, in half the time."""
    last = len(values) - 1
    below, above = int(0.3 * last), min(int(0.7 * last) + 1, last)
    ordered = np.partition(values, (below, above))
    return values <= ordered[below], values >= ordered[above]


def _median(values: Floats) -> float:
    half = len(values) // 2
    ordered = np.partition(values, half)
    return float(ordered[half]) if len(values) % 2 else 0.5 * float(ordered[:half].max() + ordered[half])
