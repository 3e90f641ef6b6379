"""A min/max pyramid: a plot of millions of samples that is exact to the pixel.

Level 0 is the data; each level holds least and greatest of two neighbours below. A plot of w pixels over any
window reads the level at which a pixel covers one to two entries, so that no extreme is lost.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class Pyramid:
    """Least and greatest of a series at all scales; memory twice that of the series.

    Parameters
    ----------
    values : ndarray, shape (n,)
    """

    def __init__(self, values: Floats) -> None:
        self.values = values
        self._least, self._greatest = [values], [values]
        while len(self._least[-1]) > 2:
            self._least.append(_halved(self._least[-1], np.minimum))
            self._greatest.append(_halved(self._greatest[-1], np.maximum))

    def extremes(self, start: int, stop: int, bins: int) -> tuple[Floats, Floats]:
        """Least and greatest in each of `bins` equal parts of samples start to stop.

        Returns
        -------
        least, greatest : ndarray, shape (bins,)
        """
        edges = np.linspace(start, stop, bins + 1).round().astype(int)
        level = max(0, int(np.floor(np.log2(max(1.0, (stop - start) / max(bins, 1) / 8.0)))))
        level = min(level, len(self._least) - 1)
        least, greatest = np.full(bins, np.inf), np.full(bins, -np.inf)
        for k, (a, b) in enumerate(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)):
            least[k], greatest[k] = self._between(a, b, level)
        return least, greatest

    def _between(self, a: int, b: int, level: int) -> tuple[float, float]:
        """Exact extremes of samples a to b: whole entries of a level, single samples at the ends."""
        size = 1 << level
        first, last = -(-a // size), b // size
        if first >= last:
            part = self.values[a:b]
            return (float(part.min()), float(part.max())) if len(part) else (np.inf, -np.inf)
        low, high = self._least[level][first:last].min(), self._greatest[level][first:last].max()
        for part in (self.values[a:first * size], self.values[last * size:b]):
            if len(part):
                low, high = min(low, part.min()), max(high, part.max())
        return float(low), float(high)


def _halved(values: Floats, pick: np.ufunc) -> Floats:
    whole = len(values) // 2 * 2
    half = pick(values[0:whole:2], values[1:whole:2])
    return np.append(half, values[-1]) if whole < len(values) else np.asarray(half)


def kept(values: Floats, points: int) -> Ints:
    """Indices to draw, at most about `points`: all of them, or first, least, greatest and last of each part.

    Parameters
    ----------
    values : ndarray, shape (n,)

    Returns
    -------
    ndarray of int
        Increasing, ends included.
    """
    n = len(values)
    if n <= points:
        return np.arange(n)
    bins = max(1, points // 4)
    edges = np.linspace(0, n, bins + 1).astype(int)
    size = int(np.diff(edges).max())
    index = np.minimum(edges[:-1, None] + np.arange(size), edges[1:, None] - 1)
    table = values[index]
    row = np.arange(bins)
    low, high = index[row, table.argmin(axis=1)], index[row, table.argmax(axis=1)]
    chosen = np.concatenate([edges[:-1], edges[1:] - 1, low, high])
    return np.unique(chosen)
