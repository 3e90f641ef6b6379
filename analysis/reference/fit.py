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
from scipy.linalg import lapack

from analysis.reference.points import Points
from analysis.reference.shapes import Shape

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]
OUTLIER = 4.5
HUBER = 2.5
ROUNDS = 14
SETTLED_DEG = 1e-5
HIDDEN = 3e-5            # of a column's power: less than this is left by the others, and it cannot be told from them


@dataclass(frozen=True)
class Shift:
    """Something that moves the crest: δθ = parameter · pattern, crank degrees; `prior` its standard deviation."""

    name: str
    pattern: Floats
    prior: float


@dataclass(frozen=True)
class Addition:
    """Something added to the lift: parameter · pattern, lift units; `prior` its standard deviation."""

    name: str
    pattern: Floats
    prior: float


@dataclass
class Design:
    """The linear problem at a point: shape columns, other columns (shifts times slope, additions), slope, angle."""

    shape: sparse.csr_array
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
    coefficients: Floats
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
        cross = np.vstack([cross_dense[:self.k], self.design.shape.T @ weighted, cross_dense[self.k:]])
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
        cross = np.vstack([cross_dense[:k], self.design.shape.T @ weighted, cross_dense[k:]])
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
        parts = np.hstack([dense[:, :k], (into @ self.design.shape).toarray(), dense[:, k:]])
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
        cross = np.concatenate([cross_dense[:k], self.design.shape.T @ weighted, cross_dense[k:]])
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


def solve(
    points: Points, shape: Shape, crest_deg: float, shifts: list[Shift], additions: list[Addition], *,
    use: Flags | None = None, start: Fit | None = None, gain_prior: float | None = None,
    weight: Floats | None = None, gentle: bool = False,
) -> Fit:
    """Fit crest, shape and nuisances.

    Parameters
    ----------
    points : Points
    shape : Shape
    crest_deg : float
        Where to start, crank degrees on the encoder; within about half a flank.
    shifts, additions : list
        Nuisances with patterns of the points' length.
    use : ndarray of bool, optional
        Points that may be used.
    gain_prior : float, optional
        Standard deviation of a known shape's gain about 1.
    weight : ndarray, optional
        Fixed weights: no robust re-weighting.
    gentle : bool
        Far points keep a falling weight (Huber) instead of none: for looking, while something may be missing
        from the model.
    """
    allowed = np.ones(len(points), bool) if use is None else use
    problem = _Problem(points, shape, shifts, additions, gain_prior)
    values = np.zeros(1 + len(shifts))
    values[0] = crest_deg
    if start is not None:
        values[0] = start.crest_deg
        values[1:] = [start.shifts.get(s.name, 0.0) for s in shifts]
    w = (allowed & ~points.spiky).astype(float) if weight is None else weight
    if start is not None and weight is None:
        w = np.where(allowed, start.weight, 0.0)
    s0, s1 = (1e-2, 0.0) if start is None else (start.s0, start.s1_deg)
    linear, settled = None if start is None or not shape.known else start.coefficients, False
    for _ in range(ROUNDS):
        step, linear, design = problem.step(values, linear, w, s0)
        values = values + np.clip(step, -3.0, 3.0)
        residual = problem.residual(design, step, linear)
        old, used = (s0, s1), w
        if weight is None:
            s0, s1, w = reweigh(residual, design.slope, allowed, points, gentle=gentle)
        else:
            s0 = float(np.sqrt(np.average(residual**2, weights=w)))
        # a look needs no more than the first digits; the last fit does
        part, least = (0.03, 1e-3) if gentle else (0.005, SETTLED_DEG)
        calm = abs(s0 - old[0]) < part * s0 and abs(s1 - old[1]) <= 2.0 * part * max(s1, 1e-3)
        settled = bool(np.abs(step).max() < least) and calm
        if settled:
            break
    assert linear is not None
    # the weights that made this solution: with others its residuals would seem to ask for columns that nothing can tell
    return problem.finish(values, linear, design, residual, used, s0, s1, settled)


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
    low_cut, high_cut = np.quantile(g, [0.3, 0.7])
    low, high = g <= low_cut, g >= high_cut
    v_low, v_high = ((1.4826 * float(np.median(r[part]))) ** 2 for part in (low, high))
    g_low, g_high = float(g[low].mean()), float(g[high].mean())
    s1sq = max(0.0, (v_high - v_low) / (g_high - g_low)) if g_high > g_low * 1.001 + 1e-15 else 0.0
    s0sq = max(v_low - s1sq * g_low, 0.02 * v_low, 1e-14)
    if s1sq == 0.0:
        s0sq = max((1.4826 * float(np.median(r))) ** 2, 1e-14)
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


class _Problem:
    """The linear problem of one Gauss–Newton step and its bookkeeping."""

    def __init__(self, points: Points, shape: Shape, shifts: list[Shift], additions: list[Addition],
                 gain_prior: float | None) -> None:
        self.points, self.shape, self.shifts, self.additions = points, shape, shifts, additions
        self.patterns = np.column_stack([np.ones(len(points)), *(s.pattern for s in shifts)])
        self.added = (np.column_stack([a.pattern for a in additions]) if additions
                      else np.zeros((len(points), 0)))
        self.gain_prior = gain_prior

    def step(self, values: Floats, linear: Floats | None, w: Floats, s0: float) -> tuple[Floats, Floats, Design]:
        p = self.points
        u = p.angle_deg - self.patterns @ values
        basis = self.shape.columns(u)
        if linear is None:
            linear = self._first(basis, w)
        slope = self.shape.slope(u, linear[: self.shape.size])
        dense = np.column_stack([-slope[:, None] * self.patterns, self.added])
        design = Design(basis, dense, slope, u)
        normal, right = self._normal(design, w)
        ridge, pull = self._priors(values, s0, normal)
        normal[np.diag_indices_from(normal)] += ridge
        factor = linalg.cho_factor(normal, lower=True, check_finite=False)
        solution = linalg.cho_solve(factor, right + pull, check_finite=False)
        k = len(values)
        return solution[:k], solution[k:], design

    def _first(self, basis: sparse.csr_array, w: Floats) -> Floats:
        """Shape coefficients before any slope is known."""
        normal = _gram(basis, w)
        normal[np.diag_indices_from(normal)] += 1e-9 * max(np.trace(normal) / len(normal), 1e-12)
        return np.asarray(linalg.solve(normal, basis.T @ (w * self.points.lift), assume_a="pos"))

    def _normal(self, design: Design, w: Floats) -> tuple[Floats, Floats]:
        """Normal matrix ordered (crest and shifts, shape, additions) and right-hand side."""
        k, m, a = self.patterns.shape[1], self.shape.size, self.added.shape[1]
        size = k + m + a
        normal, right = np.zeros((size, size)), np.zeros(size)
        outer = np.r_[0:k, k + m:size]
        dense_w = design.dense * w[:, None]
        basis = design.shape
        normal[np.ix_(outer, outer)] = design.dense.T @ dense_w
        cross = basis.T @ dense_w
        normal[k:k + m, outer] = cross
        normal[outer, k:k + m] = cross.T
        normal[k:k + m, k:k + m] = _gram(basis, w)
        right[outer] = dense_w.T @ self.points.lift
        right[k:k + m] = basis.T @ (w * self.points.lift)
        return normal, right

    def _priors(self, values: Floats, s0: float, normal: Floats) -> tuple[Floats, Floats]:
        """Diagonal and right-hand side of the prior observations, in units of 1/s0²."""
        k, m = len(values), self.shape.size
        ridge, pull = np.zeros(len(normal)), np.zeros(len(normal))
        for j, shift in enumerate(self.shifts, start=1):
            ridge[j] = (s0 / shift.prior) ** 2
            pull[j] = -ridge[j] * values[j]
        for j, addition in enumerate(self.additions):
            ridge[k + m + j] = (s0 / addition.prior) ** 2
        if not self.shape.known:
            ridge[k:k + m] = 1e-8 * max(float(np.trace(normal[k:k + m, k:k + m])) / m, 1e-12)
        elif self.gain_prior is not None:
            ridge[k + 1] = (s0 / self.gain_prior) ** 2
            pull[k + 1] = ridge[k + 1]
        return ridge, pull

    def residual(self, design: Design, step: Floats, linear: Floats) -> Floats:
        m = self.shape.size
        shape_part = design.shape @ linear[:m]
        return np.asarray(self.points.lift - shape_part - design.dense @ np.concatenate([step, linear[m:]]))

    def finish(self, values: Floats, linear: Floats, design: Design, residual: Floats, w: Floats,
               s0: float, s1: float, settled: bool) -> Fit:
        k, m = len(values), self.shape.size
        normal, _ = self._normal(design, w)
        ridge, _ = self._priors(values, s0, normal)
        inverse = _inverse(normal + np.diag(ridge))
        row = inverse[0]
        gain = design.shape @ row[k:k + m] + design.dense @ np.concatenate([row[:k], row[k + m:]])
        total = float(inverse[0, 0]) * s0**2
        noise = float(row @ normal @ row) * s0**2
        return Fit(
            crest_deg=float(values[0]),
            shifts={s.name: float(v) for s, v in zip(self.shifts, values[1:], strict=True)},
            shift_variance={s.name: float(inverse[j, j]) * s0**2 for j, s in enumerate(self.shifts, start=1)},
            additions={a.name: float(v) for a, v in zip(self.additions, linear[m:], strict=True)},
            coefficients=linear,
            residual=residual, slope=design.slope, weight=w, s0=s0, s1_deg=s1,
            influence_deg=gain * w * residual, lever_deg=gain * w,
            variance_deg2=total, prior_variance_deg2=max(0.0, total - noise),
            u_deg=design.u, settled=settled, design=design, inverse=inverse,
        )


def _inverse(positive: Floats) -> Floats:
    """Inverse of a symmetric positive definite matrix, through its Cholesky factor."""
    factor = linalg.cholesky(positive, lower=True, check_finite=False)
    half, failed = lapack.dpotri(factor, lower=1)
    if failed:
        raise linalg.LinAlgError("The normal matrix could not be inverted.")
    return np.asarray(half + np.tril(half, -1).T)


def _gram(basis: sparse.csr_array, w: Floats) -> Floats:
    """BᵀWB for a matrix whose rows have equally many entries, all near the diagonal, as every shape's is; (m, m)."""
    n, m = basis.shape
    at, values = basis.indices.reshape(n, -1).T, basis.data.reshape(n, -1).T
    width = len(at)
    band = np.zeros(width * m)
    for i in range(width):
        weighted = values[i] * w
        for j in range(i, width):
            away = np.abs(at[j] - at[i])
            part = weighted * values[j]
            if i != j:
                part[away == 0] *= 2.0      # two entries of one row in one column
            band += np.bincount(np.minimum(at[i], at[j]) * width + away, part, width * m)
    out = np.zeros((m, m))
    rows = np.arange(m)
    for away, part in enumerate(band.reshape(m, width).T):
        out[rows[:m - away], rows[away:]] = part[:m - away]
        out[rows[away:], rows[:m - away]] = part[:m - away]
    return out
