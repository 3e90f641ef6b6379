"""The model fit: one reference for the whole trace, nuisances beside it, residuals that say how well.

Each point obeys

    y = f(θ − c − s(θ, t)) + d(t) + ε

with f the datum's shape (shapes.py), c the crest, s the *shifts* (what moves the crest: hysteresis, lag, lash
thrown across at the crest, eccentricity of the encoder), d the *additions* (drift, hum). f and d are linear in
their coefficients, and a shift δ of the angle changes y by −f′·δ, so Gauss–Newton solves one linear least-squares
problem at each step:

    y + Σ f′ p₀… = B β + D γ − f′ (δc + Σ g_k δp_k)

A nuisance with a known size enters with a prior of that standard deviation (a further observation p = 0 ± σ_p):
what the data cannot tell apart stays as uncertainty of c instead of being guessed.

Weights. The angle has noise too (encoder steps), which a slope f′ turns into lift: var ε = s₀² + (f′ s₁)². s₀ and
s₁ are estimated from the residuals at low and high slope, and points beyond 4.5 standard deviations are left out
(spikes), repeatedly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, sparse

from analysis.reference.points import Points
from analysis.reference.rows import Rows
from analysis.reference.shapes import Shape

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
HIDDEN = 3e-5            # of a column's power: less than this is left by the others, and it cannot be told from them


@dataclass(frozen=True)
class Shift:
    """Something that moves the crest: δθ = parameter · pattern, crank degrees; `prior` its standard deviation."""

    name: str
    pattern: Floats
    prior: float


@dataclass(frozen=True)
class Tie:
    """What two shifts have to do with each other: one − ratio · other = 0 ± `deg` (standard deviation)."""

    one: str
    other: str
    ratio: float
    deg: float


@dataclass(frozen=True)
class Addition:
    """Something added to the lift: parameter · pattern, lift units; `prior` its standard deviation."""

    name: str
    pattern: Floats
    prior: float


@dataclass
class Design:
    """The linear problem at a point: rows of the shape, other columns (shifts times slope, additions), slope, angle."""

    shape: Rows
    dense: Floats
    slope: Floats
    u: Floats


@dataclass
class Fit:
    """What a fit found; arrays have the length of the points."""

    crest_deg: float
    shifts: dict[str, float]
    shift_variance: dict[str, float]
    additions: dict[str, float]
    shape: Shape
    coefficients: Floats       # of the shape, then of the additions
    residual: Floats
    slope: Floats
    weight: Floats             # 1/variance relative to s0², 0 for points left out
    s0: float
    s1_deg: float
    influence_deg: Floats      # dc/dy · residual per point; sums to the remaining step, its spread gives u(c)
    lever_deg: Floats          # the crest's change for one lift unit more at each point
    variance_deg2: float       # of c for independent residuals, priors included
    prior_variance_deg2: float  # the part of it that comes from priors, not from noise
    u_deg: Floats              # angle from the crest with the shifts taken out
    settled: bool
    design: Design
    inverse: Floats            # of the normal matrix with priors, ordered (crest and shifts, shape, additions)
    drift_prior: float = 0.0   # standard deviation the first drift coefficient had

    def loss(self, use: Flags) -> float:
        """Mean root of the residuals of the points in use: what a model leaves, little moved by spikes."""
        return float(np.mean(np.sqrt(np.abs(self.residual[use]))))

    def misfit(self, use: Flags) -> float:
        """Robust standard deviation of the residuals of the points in use, lift units."""
        return float(np.median(np.abs(self.residual[use]))) * 1.4826 if use.any() else 0.0

    def gain(self, columns: Floats) -> Floats:
        """How far chi square would fall if each column alone were let in (score test).

        Parameters
        ----------
        columns : ndarray, shape (n, m)
            Additions to the lift, or shifts times minus the slope.

        Returns
        -------
        ndarray, shape (m,)
        """
        pull, free = self._score(columns)
        return pull**2 / free / self.s0**2

    def sizes(self, columns: Floats) -> Floats:
        """The value each of the columns would take alone, everything else fitted again; shape (m,)."""
        pull, free = self._score(columns)
        return pull / free

    def size(self, column: Floats) -> float:
        """The value one more column (shape (n,)) would take."""
        return float(self.sizes(column[:, None])[0])

    def score_of(self, columns: Floats) -> tuple[Floats, Floats]:
        """Residuals projected on columns let in together, shape (m,), and what nothing else can take, shape (m, m)."""
        weighted = columns * self.weight[:, None]
        cross_dense = self.design.dense.T @ weighted
        cross = np.vstack([cross_dense[:self.k], self.design.shape.down(weighted), cross_dense[self.k:]])
        return weighted.T @ self.residual, columns.T @ weighted - cross.T @ (self.inverse @ cross)

    def gain_together(self, columns: Floats) -> float:
        """How far chi square would fall if all the columns, shape (n, m), were let in at once."""
        pull, free = self.score_of(columns)
        return float(pull @ linalg.lstsq(free, pull)[0]) / self.s0**2

    def _score(self, columns: Floats) -> tuple[Floats, Floats]:
        """Residuals projected on each column, and the column's power that nothing else can take."""
        k = self.k
        weighted = columns * self.weight[:, None]
        cross_dense = self.design.dense.T @ weighted
        cross = np.vstack([cross_dense[:k], self.design.shape.down(weighted), cross_dense[k:]])
        power = np.einsum("ij,ij->j", columns, weighted)
        free = power - np.einsum("ij,ij->j", cross, self.inverse @ cross)
        hidden = free < HIDDEN * power + 1e-12
        return np.where(hidden, 0.0, weighted.T @ self.residual), np.where(hidden, 1.0, free)

    def gain_of_steps(self, points: Points, places: Ints) -> Floats:
        """`gain` of one column for each place (ascending indices): 1 from there to the end of its sweep, else 0.

        The sums over a step are differences of running sums, so that all of them cost no more than one column.
        """
        ends = np.flatnonzero(np.diff(points.sweep) != 0) + 1
        ends = np.append(ends, len(points))
        until = ends[np.searchsorted(ends, places, side="right")]
        edges = np.unique(np.concatenate([[0], places, until]))
        edges = edges[edges < len(points)]
        owner = np.searchsorted(edges, np.arange(len(points)), side="right") - 1
        w = self.weight
        into = sparse.csr_array((w, (owner, np.arange(len(points)))), shape=(len(edges), len(points)))
        k = self.k
        others = np.column_stack([self.design.dense, self.residual, np.ones(len(points))])
        dense = np.asarray(into @ others)
        parts = np.hstack([dense[:, :k], (into @ self.design.shape.matrix()).toarray(), dense[:, k:]])
        running = np.vstack([np.zeros(parts.shape[1]), np.cumsum(parts, axis=0)])
        first = np.searchsorted(edges, places)
        last = np.searchsorted(edges, until)
        sums = running[last] - running[first]
        cross, pull, power = sums[:, :-2].T, sums[:, -2], sums[:, -1]
        free = power - np.einsum("ij,ij->j", cross, self.inverse @ cross)
        hidden = free < HIDDEN * power + 1e-12
        return np.where(hidden, 0.0, pull) ** 2 / np.where(hidden, 1.0, free) / self.s0**2

    def let_in(self, column: Floats) -> tuple[float, float, float]:
        """Value, variance and lever on the crest of one more column, everything else fitted again.

        The lever is the crest's change for a unit of the column's parameter.
        """
        k = self.k
        weighted = column * self.weight
        cross_dense = self.design.dense.T @ weighted
        cross = np.concatenate([cross_dense[:k], self.design.shape.down(weighted[:, None])[:, 0], cross_dense[k:]])
        follow = self.inverse @ cross
        free = max(float(column @ weighted - cross @ follow), 1e-12)
        return float(weighted @ self.residual) / free, self.s0**2 / free, -float(follow[0])

    def value(self, index: int) -> float:
        """A parameter by its row: crest's last step (0), shifts, shape coefficients, additions."""
        k = self.k
        if index < k:
            return 0.0 if index == 0 else list(self.shifts.values())[index - 1]
        return float(self.coefficients[index - k])

    @property
    def k(self) -> int:
        """Number of shift parameters with the crest."""
        return 1 + len(self.shifts)
