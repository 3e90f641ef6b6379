"""Rows of a shape's design matrix B, one for each point, and the products with them that a fit needs.

An even lobe's row has four entries, cubic polynomials of the part t done of the point's spline interval. Of Bᵀ W B
the points of one interval give what follows from Σ w, Σ w t, …, Σ w t⁶.
"""

from __future__ import annotations

from copy import copy
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy import sparse

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# the uniform cubic B-spline: four neighbours (rows) as polynomials in t (de Boor, A Practical Guide to Splines)
CUBIC = np.array([[1.0, -3.0, 3.0, -1.0], [4.0, 0.0, -6.0, 3.0], [1.0, 3.0, 3.0, -3.0], [0.0, 0.0, 0.0, 1.0]]) / 6.0
NEIGHBOURS = np.arange(-1, 3)
RISING = CUBIC[:, 1:] * np.array([1.0, 2.0, 3.0])     # their derivatives
# products of two of them as polynomials in t: columns for each pair (j, k), j not before k
LOWER = [(j, k) for k in range(4) for j in range(k, 4)]
PAIRS = np.column_stack([np.convolve(CUBIC[j], CUBIC[k]) for j, k in LOWER])


class Rows(Protocol):
    """n rows of `size` columns."""

    size: int

    def times(self, coefficients: Floats) -> Floats:
        """B c, shape (n,)."""
        ...

    def down(self, columns: Floats) -> Floats:
        """Bᵀ X for X of shape (n, m), shape (size, m)."""
        ...

    def band(self, weight: Floats) -> Floats:
        """Bᵀ W B in lower banded form: [i, j] is the element of row j + i and column j."""
        ...

    def sums(self, owner: Ints, weight: Floats, count: int, part: slice) -> Floats:
        """Weighted sums of a part of the rows for each of `count` owners, shape (count, size)."""
        ...


class PlainRows:
    """Rows of a shape with few coefficients, kept as they are; columns of shape (n, size)."""

    def __init__(self, columns: Floats) -> None:
        self._columns = columns
        self.size = columns.shape[1]

    def times(self, coefficients: Floats) -> Floats:
        return np.asarray(self._columns @ coefficients)

    def down(self, columns: Floats) -> Floats:
        return np.asarray(self._columns.T @ columns)

    def band(self, weight: Floats) -> Floats:
        gram = (self._columns * weight[:, None]).T @ self._columns
        band = np.zeros((self.size, self.size))
        for below in range(self.size):
            band[below, :self.size - below] = np.diagonal(gram, -below)
        return band

    def sums(self, owner: Ints, weight: Floats, count: int, part: slice) -> Floats:
        return np.column_stack([np.bincount(owner, column * weight[part], count) for column in self._columns[part].T])


class EvenRows:
    """Rows of an even lobe of `knots` intervals.

    Parameters
    ----------
    interval : ndarray of int, shape (n,)
        From 0, which begins at the crest, to knots − 1. Interval j is reached by the centres |j − 1|, j, j + 1, j + 2:
        those below zero are their own mirror images.
    part : ndarray, shape (n,)
        How much of the interval is done, 0 to 1.
    like : EvenRows, optional
        Rows of as many points of the same shape: spares checks that were made for them.
    """

    def __init__(self, interval: Ints, part: Floats, knots: int, like: EvenRows | None = None) -> None:
        self._interval, self._part, self._knots = interval, part, knots
        self.size = knots + 2
        t = part
        self._squared, rest = t * t, 1.0 - t
        values = np.empty((len(t), 4))
        values[:, 0] = rest * rest * rest
        values[:, 1] = (3.0 * t - 6.0) * self._squared + 4.0
        values[:, 2] = (3.0 * rest - 6.0) * (rest * rest) + 4.0
        values[:, 3] = self._squared * t
        values /= 6.0
        self._values, self._at = values, np.abs(interval[:, None] + NEIGHBOURS)
        if like is None or len(like._part) != len(part):
            self._down = sparse.csc_array((values.ravel(), self._at.ravel(), np.arange(0, 4 * len(t) + 1, 4)),
                                          shape=(self.size, len(t)))
        else:
            self._down = copy(like._down)
            self._down.data, self._down.indices = values.ravel(), self._at.ravel().astype(like._down.indices.dtype)

    def times(self, coefficients: Floats) -> Floats:
        return np.asarray(np.einsum("ij,ij->i", self._values, coefficients[self._at]))

    def rising(self, coefficients: Floats) -> Floats:
        """The derivative of B c by t, shape (n,)."""
        ends = self._knots
        near = np.array([np.concatenate([coefficients[1:2], coefficients[:ends - 1]]), coefficients[:ends],
                         coefficients[1:ends + 1], coefficients[2:]])
        level, rise, bend = RISING.T @ near
        return np.asarray(level[self._interval] + rise[self._interval] * self._part
                          + bend[self._interval] * self._squared)

    def down(self, columns: Floats) -> Floats:
        return np.asarray(self._down @ columns)

    def band(self, weight: Floats) -> Floats:
        power, sums = weight, np.empty((self._knots, 7))
        for k in range(7):
            sums[:, k] = np.bincount(self._interval, power, self._knots)
            power = power * self._part
        blocks = sums @ PAIRS
        # of the row before the crest on, which is the mirror image of the one after it
        padded = np.zeros((4, self._knots + 3))
        for at, (j, k) in enumerate(LOWER):
            padded[j - k, k:k + self._knots] += blocks[:, at]
        band = padded[:, 1:]
        band[0, 1] += padded[0, 0] + 2.0 * padded[2, 0]
        band[1, 0] += padded[1, 0]
        band[1, 1] += padded[3, 0]
        return band

    def sums(self, owner: Ints, weight: Floats, count: int, part: slice) -> Floats:
        into = (owner * self.size)[:, None] + self._at[part]
        found = np.bincount(into.ravel(), (self._values[part] * weight[part, None]).ravel(), count * self.size)
        return np.asarray(found, dtype=np.float64).reshape(count, self.size)
