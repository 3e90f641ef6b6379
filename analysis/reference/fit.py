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
from scipy import linalg

from analysis.quantiles import median
from analysis.reference.bordered import Bordered
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
    normal: Bordered           # with priors; its rest is (crest and shifts, additions)
    drift_prior: float = 0.0   # standard deviation the first drift coefficient had

    def loss(self, use: Flags) -> float:
        """Mean root of the residuals of the points in use: what a model leaves, little moved by spikes."""
        return float(np.mean(np.sqrt(np.abs(self.residual[use]))))

    def misfit(self, use: Flags) -> float:
        """Robust standard deviation of the residuals of the points in use, lift units."""
        return median(np.abs(self.residual[use])) * 1.4826 if use.any() else 0.0

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
        return self.gains_and_sizes(columns)[0]

    def gains_and_sizes(self, columns: Floats) -> tuple[Floats, Floats]:
        """`gain`, and the value each of the columns would take alone, everything else fitted again; shape (m,)."""
        pull, free = self._score(columns)
        return pull**2 / free / self.s0**2, pull / free

    def gains_of(self, pull: Floats, free: Floats, power: Floats) -> Floats:
        """How far chi square would fall for each pull, what nothing else can take of a column, and its whole power.

        Nothing for a pull that is negative, and for what the others hide.
        """
        told = (pull > 0.0) & (free > HIDDEN * power + 1e-12)
        return np.where(told, pull, 0.0)**2 / np.where(told, free, 1.0) / self.s0**2

    def size(self, column: Floats) -> float:
        """The value one more column (shape (n,)) would take."""
        return float(self.gains_and_sizes(column[:, None])[1][0])

    def score_of(self, columns: Floats) -> tuple[Floats, Floats]:
        """Residuals projected on columns let in together, shape (m,), and what nothing else can take, shape (m, m)."""
        weighted = columns * self.weight[:, None]
        white = self.normal.whitened(self.design.dense.T @ weighted, self.design.shape.down(weighted))
        return weighted.T @ self.residual, columns.T @ weighted - white.T @ white

    def power_of(self, columns: Floats) -> Floats:
        """XᵀWX of columns, shape (n, m): shape (m, m)."""
        return columns.T @ (columns * self.weight[:, None])

    def score_past(self, sense: Floats, places_deg: Floats) -> tuple[Floats, Floats, Floats]:
        """`score_of` for shifts by 1 from each of m places past the crest on, and the columns' whole power.

        Those of forward sweeps first, then those of reverse ones: shapes (2m,), (2m, 2m), (2m,). All of them cost
        little more than one column, since each is the sum of those that begin later and what lies between.

        Parameters
        ----------
        sense : ndarray, shape (n,)
            1 or −1, of each point's sweep: the way in which a place is past the crest.
        """
        order, m = np.argsort(places_deg, kind="stable"), len(places_deg)
        owner = np.searchsorted(places_deg[order], self.u_deg * sense) + (m + 1) * (sense < 0.0)
        weight, count = -self.slope * self.weight, 2 * (m + 1)
        columns = [*self.design.dense.T, self.residual, -self.slope]
        others = np.column_stack([np.bincount(owner, column * weight, count) for column in columns])
        parts = np.hstack([self.design.shape.sums(owner, weight, count, slice(None)), others]).reshape(2, m + 1, -1)
        past = np.empty((2, m, parts.shape[2]))
        past[:, order] = np.cumsum(parts[:, :0:-1], axis=1)[:, ::-1]
        sums = past.reshape(2 * m, -1)
        size = sums.shape[1] - len(columns)
        white = self.normal.whitened(sums[:, size:-2].T, sums[:, :size].T)
        pull, power = sums[:, -2], sums[:, -1]
        # of two that begin at different places one is part of the other; senses have nothing in common
        free = -white.T @ white
        for one in (slice(0, m), slice(m, 2 * m)):
            free[one, one] += np.minimum(power[one, None], power[None, one])
        return pull, free, power

    def gain_together(self, columns: Floats) -> float:
        """How far chi square would fall if all the columns, shape (n, m), were let in at once."""
        pull, free = self.score_of(columns)
        return float(pull @ linalg.lstsq(free, pull)[0]) / self.s0**2

    def _score(self, columns: Floats) -> tuple[Floats, Floats]:
        """Residuals projected on each column, and the column's power that nothing else can take."""
        weighted = columns * self.weight[:, None]
        white = self.normal.whitened(self.design.dense.T @ weighted, self.design.shape.down(weighted))
        power = np.einsum("ij,ij->j", columns, weighted)
        return _what_others_leave(weighted.T @ self.residual, power, white)

    def gain_of_steps(self, points: Points, places: Ints) -> Floats:
        """`gain` of one column for each place (ascending indices): 1 from there to the end of its sweep, else 0.

        The sums over a step are differences of running sums, so that all of them cost no more than one column.
        """
        ends = np.append(np.flatnonzero(np.diff(points.sweep) != 0) + 1, len(points))
        until = ends[np.searchsorted(ends, places, side="right")]
        edges = np.unique(np.concatenate([places, until]))
        # nothing before the first place or after the last end is in any of the steps
        part = slice(int(edges[0]), int(edges[-1]))
        lengths = np.diff(edges)
        shape = self.design.shape.sums(np.repeat(np.arange(len(lengths)), lengths), self.weight, len(lengths), part)
        others = np.column_stack([self.design.dense[part], self.residual[part], np.ones(part.stop - part.start)])
        others *= self.weight[part, None]
        parts = np.hstack([shape, np.add.reduceat(others, edges[:-1] - part.start, axis=0)])
        running = np.vstack([np.zeros(parts.shape[1]), np.cumsum(parts, axis=0)])
        sums = running[np.searchsorted(edges, until)] - running[np.searchsorted(edges, places)]
        size = shape.shape[1]
        white = self.normal.whitened(sums[:, size:-2].T, sums[:, :size].T)
        pull, free = _what_others_leave(sums[:, -2], sums[:, -1], white)
        return pull**2 / free / self.s0**2

    def let_in(self, column: Floats) -> tuple[float, float, float]:
        """Value, variance and lever on the crest of one more column, everything else fitted again.

        The lever is the crest's change for a unit of the column's parameter.
        """
        value, variance, levers = self.let_in_beside(column)
        return value, variance, float(levers[0])

    def let_in_beside(self, column: Floats) -> tuple[float, float, Floats]:
        """The same with the levers on the crest, each shift and each addition."""
        weighted = column * self.weight
        follow, shape = self.normal.solve(cross := self.design.dense.T @ weighted,
                                          down := self.design.shape.down(weighted[:, None])[:, 0])
        free = max(float(column @ weighted - cross @ follow - down @ shape), 1e-12)
        return float(weighted @ self.residual) / free, self.s0**2 / free, -follow

    @property
    def k(self) -> int:
        """Number of shift parameters with the crest."""
        return 1 + len(self.shifts)


def _what_others_leave(pull: Floats, power: Floats, white: Floats) -> tuple[Floats, Floats]:
    """Pull and free power of columns, nothing of those that the others take whole."""
    free = power - np.einsum("ij,ij->j", white, white)
    hidden = free < HIDDEN * power + 1e-12
    return np.where(hidden, 0.0, pull), np.where(hidden, 1.0, free)
