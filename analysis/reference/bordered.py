"""A positive definite matrix that is a narrow band with a border: a shape's coefficients, and what stands beside them.

    N = [ S  C ]        S (m, m) banded: the shape's coefficients, each with its neighbours
        [ Cᵀ D ]        D (q, q): crest, shifts and additions, which have to do with all

With S = L Lᵀ, H = L⁻¹C and the rest G = D − HᵀH = T Tᵀ everything follows from triangles, in the order of m·q² instead
of (m + q)³ operations:  L⁻¹ and T⁻¹ applied to columns *whiten* them, cᵀ N⁻¹ c = |whitened c|².
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import linalg
from scipy.linalg import lapack

Floats = npt.NDArray[np.float64]


class Bordered:
    """N, factored.

    Parameters
    ----------
    band : ndarray, shape (b + 1, m)
        Lower banded form of S: band[i, j] = S[j + i, j].
    border : ndarray, shape (m, q)
    rest : ndarray, shape (q, q)
    """

    def __init__(self, band: Floats, border: Floats, rest: Floats) -> None:
        self._band, failed = lapack.dpbtrf(band, lower=1)
        if failed:
            raise linalg.LinAlgError("The shape's normal matrix is not positive definite.")
        self._half = self._down(border)
        self._rest, failed = lapack.dpotrf(rest - self._half.T @ self._half, lower=1, clean=1)
        if failed:
            raise linalg.LinAlgError("The normal matrix is not positive definite.")

    def _down(self, columns: Floats) -> Floats:
        """L⁻¹ of columns, shape (m, p)."""
        return np.asarray(lapack.dtbtrs(self._band, columns, uplo="L")[0])

    def _up(self, columns: Floats) -> Floats:
        """L⁻ᵀ of columns, shape (m, p)."""
        return np.asarray(lapack.dtbtrs(self._band, columns, uplo="L", trans="T")[0])

    def whitened(self, rest: Floats, shape: Floats) -> Floats:
        """Columns, shape (q, p) and (m, p), whitened: shape (m + q, p)."""
        down = self._down(shape)
        return np.vstack([down, lapack.dtrtrs(self._rest, rest - self._half.T @ down, lower=1)[0]])

    def solve(self, rest: Floats, shape: Floats) -> tuple[Floats, Floats]:
        """N⁻¹ of one column, shape (q,) and (m,), in the same parts."""
        down = self._down(shape[:, None])
        found = lapack.dpotrs(self._rest, rest[:, None] - self._half.T @ down, lower=1)[0]
        return found[:, 0], self._up(down - self._half @ found)[:, 0]

    @cached_property
    def inverse(self) -> Floats:
        """The part of N⁻¹ that belongs to the rest, shape (q, q)."""
        below, _ = lapack.dpotri(self._rest, lower=1)
        whole = below + below.T
        np.einsum("ii->i", whole)[:] *= 0.5
        return np.asarray(whole)

    def row(self, index: int) -> tuple[Floats, Floats]:
        """Row of N⁻¹ of one of the rest, shape (q,) and (m,)."""
        rest = self.inverse[index]
        return rest, self._up(-(self._half @ rest)[:, None])[:, 0]
