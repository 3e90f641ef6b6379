"""Rows of a shape's design matrix B, one for each point, and the products with them that a fit needs.

An even lobe's row has four entries, cubic polynomials of the part t done of the point's spline interval. Of Bᵀ W B
the points of one interval give what follows from Σ w, Σ w t, …, Σ w t⁶.
"""

from __future__ import annotations

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


class Rows(Protocol):
    """n rows of `size` columns."""

    size: int

    def times(self, coefficients: Floats) -> Floats:
        """B c, shape (n,)."""
        ...

    def down(self, columns: Floats) -> Floats:
        """Bᵀ X for X of shape (n, m), shape (size, m)."""
        ...

    def gram(self, weight: Floats) -> Floats:
        """Bᵀ W B, shape (size, size)."""
        ...

    def matrix(self) -> sparse.csr_array:
        """B itself."""
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

    def gram(self, weight: Floats) -> Floats:
        return np.asarray((self._columns * weight[:, None]).T @ self._columns)

    def matrix(self) -> sparse.csr_array:
        return sparse.csr_array(self._columns)


class EvenRows:
    """Rows of an even lobe of `knots` intervals.

    Parameters
    ----------
    interval : ndarray of int, shape (n,)
        From 0, which begins at the crest, to knots − 1. Interval j is reached by the centres |j − 1|, j, j + 1, j + 2:
        those below zero are their own mirror images.
    part : ndarray, shape (n,)
        How much of the interval is done, 0 to 1.
    """

    def __init__(self, interval: Ints, part: Floats, knots: int) -> None:
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
        self._down = sparse.csc_array((values.ravel(), self._at.ravel(), np.arange(0, 4 * len(t) + 1, 4)),
                                      shape=(self.size, len(t)))

    def times(self, coefficients: Floats) -> Floats:
        return np.asarray(np.einsum("ij,ij->i", self._values, coefficients[self._at]))

    def rising(self, coefficients: Floats) -> Floats:
        """The derivative of B c by t, shape (n,)."""
        near = np.lib.stride_tricks.sliding_window_view(np.concatenate([coefficients[1:2], coefficients]), 4)
        level, rise, bend = (near @ RISING).T
        return np.asarray(level[self._interval] + rise[self._interval] * self._part
                          + bend[self._interval] * self._squared)

    def down(self, columns: Floats) -> Floats:
        return np.asarray(self._down @ columns)

    def gram(self, weight: Floats) -> Floats:
        power, sums = weight, np.empty((self._knots, 7))
        for k in range(7):
            sums[:, k] = np.bincount(self._interval, power, self._knots)
            power = power * self._part
        blocks = CUBIC @ sums[:, np.add.outer(np.arange(4), np.arange(4))] @ CUBIC.T
        size = self._knots + 3
        padded = np.zeros((size, size))
        flat, diagonal = padded.reshape(-1), size + 1
        for j in range(4):
            for k in range(4):
                first = j * size + k
                flat[first:first + self._knots * diagonal:diagonal][:self._knots] += blocks[:, j, k]
        # the row before the crest is the mirror image of the one after it
        padded[2] += padded[0]
        padded[:, 2] += padded[:, 0]
        return padded[1:, 1:]

    def matrix(self) -> sparse.csr_array:
        return self._down.T
