"""Medians and quantiles of finite values: as NumPy's, without what it does for every other kind of input.

A trace asks for some fifty of them, mostly of a few hundred values, where NumPy's own take several times as long.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def median(values: Floats) -> float:
    """The middle of at least one value, shape (n,)."""
    half = len(values) // 2
    ordered = np.partition(values, half)
    return float(ordered[half]) if len(values) % 2 else 0.5 * float(ordered[:half].max() + ordered[half])


def quantiles(values: Floats, *parts: float) -> tuple[float, ...]:
    """Quantiles of at least one value, shape (n,), straight between neighbours in rank."""
    last = len(values) - 1
    places = [part * last for part in parts]
    below = [int(place) for place in places]
    ordered = np.partition(values, sorted({*below, *(min(k + 1, last) for k in below)}))
    return tuple(float(ordered[k] + (place - k) * (ordered[min(k + 1, last)] - ordered[k]))
                 for k, place in zip(below, places, strict=True))


def quantile(values: Floats, part: float) -> float:
    """One quantile."""
    return quantiles(values, part)[0]
