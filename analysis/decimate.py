"""A pyramid of extremes: a plot of millions of samples that loses none, at the price of the samples it draws.

Level 0 cuts the samples of a sweep into blocks of `BLOCK`; each level above joins two blocks of the one below. Of
every block it is known where its least and its greatest lift stand, and between which angles it lies. A window is drawn
from the level at which about as many blocks lie in it as are wanted; only the blocks that the window cuts are looked
into, down to the samples. So the work follows what is drawn and not what was recorded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
BLOCK = 64
AT_BLOCK = 4              # samples drawn of a block: first, least, greatest and last


def level_sizes(n: int) -> list[int]:
    """How many blocks each level of a sweep of n samples has, the finest first; none for no samples."""
    sizes = [-(-n // BLOCK)] if n else []
    while sizes and sizes[-1] > 1:
        sizes.append(-(-sizes[-1] // 2))
    return sizes


@dataclass(frozen=True)
class Pyramid:
    """Of every block of every level, the finest level first, end to end: shape (sum of `level_sizes`,).

    Attributes
    ----------
    least, greatest : ndarray of int
        Sample at which the lift of the block is least, greatest.
    low_deg, high_deg : ndarray
        Least and greatest angle of the block.
    """

    least: Ints
    greatest: Ints
    low_deg: Floats
    high_deg: Floats

    @classmethod
    def of(cls, angle_deg: Floats, lift: Floats) -> Pyramid:
        """The pyramid of a sweep, both of shape (n,)."""
        if not len(lift):
            none = np.zeros(0, dtype=np.int64)
            return cls(none, none, np.zeros(0), np.zeros(0))
        levels = [_blocks(angle_deg, lift)]
        while len(levels[-1].least) > 1:
            levels.append(_joined(levels[-1], lift))
        return cls(*(np.concatenate([getattr(one, name) for one in levels])
                     for name in ("least", "greatest", "low_deg", "high_deg")))

    def picked(self, angle_deg: Floats, lift: Floats, points: int, window: tuple[float, float] | None = None) -> Ints:
        """Samples to draw of a window, at most about `points`: all of them when they are few.

        Parameters
        ----------
        angle_deg, lift : ndarray, shape (n,)
            The samples themselves; only those that are drawn or cut by the window are read.
        window : (low, high), optional
            Degrees, ends included.

        Returns
        -------
        ndarray of int
            Increasing. The least and the greatest lift in the window are among them.
        """
        sizes = level_sizes(len(lift))
        if not sizes:
            return np.zeros(0, dtype=np.int64)
        low, high = window if window is not None else (-np.inf, np.inf)
        starts = np.concatenate([[0], np.cumsum(sizes)])
        touched = self._touched(np.arange(sizes[0]), low, high)
        if len(touched) * BLOCK <= points:
            return _samples(touched, angle_deg, low, high)
        level = 0
        while len(touched) > max(1, points // AT_BLOCK) and level + 1 < len(sizes):
            level += 1
            touched = self._touched(np.arange(sizes[level]) + starts[level], low, high)
        found = []
        while True:
            whole = (self.low_deg[touched] >= low) & (self.high_deg[touched] <= high)
            found.append(self._ends(touched[whole], starts[level], level, len(lift)))
            cut = touched[~whole] - starts[level]
            if level == 0:
                found.append(_extremes(cut, angle_deg, lift, low, high))
                return np.unique(np.concatenate(found))
            level -= 1
            below = (2 * cut[:, None] + np.arange(2)).ravel()
            touched = self._touched(below[below < sizes[level]] + starts[level], low, high)

    def _touched(self, blocks: Ints, low: float, high: float) -> Ints:
        return blocks[(self.low_deg[blocks] <= high) & (self.high_deg[blocks] >= low)]

    def _ends(self, blocks: Ints, start: int, level: int, n: int) -> Ints:
        size = BLOCK << level
        first = (blocks - start) * size
        last = np.minimum(first + size, n) - 1
        return np.concatenate([first, last, self.least[blocks], self.greatest[blocks]])


def _blocks(angle_deg: Floats, lift: Floats) -> Pyramid:
    """Level 0."""
    n = len(lift)
    whole = n // BLOCK
    table, angles = lift[:whole * BLOCK].reshape(whole, BLOCK), angle_deg[:whole * BLOCK].reshape(whole, BLOCK)
    first = np.arange(whole) * BLOCK
    made = [first + table.argmin(axis=1), first + table.argmax(axis=1), angles.min(axis=1), angles.max(axis=1)]
    if whole * BLOCK < n:
        rest, turned = lift[whole * BLOCK:], angle_deg[whole * BLOCK:]
        tail = (whole * BLOCK + rest.argmin(), whole * BLOCK + rest.argmax(), turned.min(), turned.max())
        made = [np.append(column, value) for column, value in zip(made, tail, strict=True)]
    return Pyramid(made[0].astype(np.int64), made[1].astype(np.int64), made[2], made[3])


def _joined(below: Pyramid, lift: Floats) -> Pyramid:
    """The level above one."""
    n = len(below.least)
    left, right = np.arange(0, n, 2), np.minimum(np.arange(0, n, 2) + 1, n - 1)

    def of_two(where: Ints, sign: float) -> Ints:
        return np.asarray(np.where(sign * lift[where[right]] < sign * lift[where[left]], where[right], where[left]))

    return Pyramid(of_two(below.least, 1.0), of_two(below.greatest, -1.0),
                   np.minimum(below.low_deg[left], below.low_deg[right]),
                   np.maximum(below.high_deg[left], below.high_deg[right]))


def _samples(blocks: Ints, angle_deg: Floats, low: float, high: float) -> Ints:
    """Every sample of the blocks of level 0 that lies in the window."""
    index = (blocks[:, None] * BLOCK + np.arange(BLOCK)).ravel()
    index = np.asarray(index[index < len(angle_deg)], dtype=np.int64)
    angle = angle_deg[index]
    return np.asarray(index[(angle >= low) & (angle <= high)])


def _extremes(blocks: Ints, angle_deg: Floats, lift: Floats, low: float, high: float) -> Ints:
    """First, least, greatest and last of the samples of each block that lie in the window."""
    found: list[Ints] = [np.zeros(0, dtype=np.int64)]
    for block in blocks:
        inside = _samples(block[None], angle_deg, low, high)
        if len(inside):
            part = lift[inside]
            found.append(inside[[0, int(part.argmin()), int(part.argmax()), -1]])
    return np.concatenate(found)


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
