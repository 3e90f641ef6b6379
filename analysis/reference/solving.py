"""Gauss–Newton for the model of `fit`: one linear least-squares problem at each step, weights anew after it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import linalg
from scipy.linalg import lapack

from analysis.reference.fit import Addition, Design, Fit, Shift, Tie
from analysis.reference.points import Points
from analysis.reference.rows import Rows
from analysis.reference.shapes import Shape
from analysis.reference.weights import reweigh

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
ROUNDS = 14
SETTLED_DEG = 1e-5


def solve(
    points: Points, shape: Shape, crest_deg: float, shifts: list[Shift], additions: list[Addition], *,
    use: Flags | None = None, start: Fit | None = None, gain_prior: float | None = None,
    weight: Floats | None = None, gentle: bool = False, ties: list[Tie] | None = None,
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
    ties : list, optional
        Relations between the shifts.
    weight : ndarray, optional
        Fixed weights: no robust re-weighting.
    gentle : bool
        Far points keep a falling weight (Huber) instead of none: for looking, while something may be missing
        from the model.
    """
    allowed = np.ones(len(points), bool) if use is None else use
    problem = _Problem(points, shape, shifts, additions, gain_prior, ties or [])
    values = np.zeros(1 + len(shifts))
    values[0] = crest_deg
    if start is not None:
        values[0] = start.crest_deg
        values[1:] = [start.shifts.get(s.name, 0.0) for s in shifts]
    w = (allowed & ~points.spiky).astype(float) if weight is None else weight
    if start is not None and weight is None:
        w = np.where(allowed, start.weight, 0.0)
    s0, s1 = (1e-2, 0.0) if start is None else (start.s0, start.s1_deg)
    linear = None if start is None or not (shape.known or start.shape is shape) else start.coefficients
    settled = False
    for _ in range(ROUNDS):
        step, linear, design, normal = problem.step(values, linear, w, s0)
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
    return problem.finish(values, linear, design, normal, residual, used, s0, s1, settled)


class _Problem:
    """The linear problem of one Gauss–Newton step and its bookkeeping."""

    def __init__(self, points: Points, shape: Shape, shifts: list[Shift], additions: list[Addition],
                 gain_prior: float | None, ties: list[Tie]) -> None:
        self.points, self.shape, self.shifts, self.additions = points, shape, shifts, additions
        self.patterns = np.column_stack([np.ones(len(points)), *(s.pattern for s in shifts)])
        self.added = (np.column_stack([a.pattern for a in additions]) if additions
                      else np.zeros((len(points), 0)))
        self.gain_prior = gain_prior
        row = {shift.name: k for k, shift in enumerate(shifts, start=1)}
        self.ties = [(row[tie.one], row[tie.other], tie.ratio, tie.deg) for tie in ties]
        ends = self.patterns.shape[1] + shape.size
        self.outer = np.r_[0:self.patterns.shape[1], ends:ends + self.added.shape[1]]

    def step(self, values: Floats, linear: Floats | None, w: Floats, s0: float
             ) -> tuple[Floats, Floats, Design, Floats]:
        """Step of crest and shifts, the linear coefficients, the design and its normal matrix without priors."""
        p = self.points
        u = p.angle_deg - self.patterns @ values
        rows = self.shape.rows(u)
        if linear is None:
            linear = self._first(rows, w)
        slope = self.shape.slope(u, linear[: self.shape.size], rows)
        dense = np.column_stack([-slope[:, None] * self.patterns, self.added])
        design = Design(rows, dense, slope, u)
        normal, right = self._normal(design, w)
        ridge, pull = self._priors(values, s0, normal)
        held = self._held(normal, ridge, s0)
        # transposed it is the same matrix in the order of columns, which spares a copy
        _, solution, failed = lapack.dposv(held.T, right + pull, lower=1, overwrite_a=1, overwrite_b=1)
        if failed:
            raise linalg.LinAlgError("The normal matrix is not positive definite.")
        k = len(values)
        return solution[:k], solution[k:], design, normal

    def _first(self, rows: Rows, w: Floats) -> Floats:
        """Shape coefficients before any slope is known."""
        normal = rows.gram(w)
        normal[np.diag_indices_from(normal)] += 1e-9 * max(np.trace(normal) / len(normal), 1e-12)
        return np.asarray(linalg.solve(normal, rows.down((w * self.points.lift)[:, None])[:, 0], assume_a="pos"))

    def _normal(self, design: Design, w: Floats) -> tuple[Floats, Floats]:
        """Normal matrix ordered (crest and shifts, shape, additions) and right-hand side."""
        k, m, a = self.patterns.shape[1], self.shape.size, self.added.shape[1]
        size = k + m + a
        normal, right = np.zeros((size, size)), np.zeros(size)
        outer = self.outer
        dense_w = design.dense * w[:, None]
        lift_w = w * self.points.lift
        normal[np.ix_(outer, outer)] = design.dense.T @ dense_w
        cross = design.shape.down(np.column_stack([dense_w, lift_w]))
        normal[k:k + m, outer] = cross[:, :-1]
        normal[outer, k:k + m] = cross[:, :-1].T
        normal[k:k + m, k:k + m] = design.shape.gram(w)
        right[outer] = design.dense.T @ lift_w
        right[k:k + m] = cross[:, -1]
        return normal, right

    def _priors(self, values: Floats, s0: float, normal: Floats) -> tuple[Floats, Floats]:
        """Diagonal and right-hand side of the prior observations, in units of 1/s0²; ties add to the latter."""
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
        for one, other, ratio, deg in self.ties:
            away = (s0 / deg) ** 2 * (values[one] - ratio * values[other])
            pull[one] -= away
            pull[other] += ratio * away
        return ridge, pull

    def _held(self, normal: Floats, ridge: Floats, s0: float) -> Floats:
        """The normal matrix with the diagonal of the priors and with the ties."""
        held = normal.copy()
        held.reshape(-1)[::len(held) + 1] += ridge
        for one, other, ratio, deg in self.ties:
            size = (s0 / deg) ** 2
            held[one, one] += size
            held[other, other] += ratio**2 * size
            held[one, other] -= ratio * size
            held[other, one] -= ratio * size
        return held

    def residual(self, design: Design, step: Floats, linear: Floats) -> Floats:
        m = self.shape.size
        shape_part = design.shape.times(linear[:m])
        return np.asarray(self.points.lift - shape_part - design.dense @ np.concatenate([step, linear[m:]]))

    def finish(self, values: Floats, linear: Floats, design: Design, normal: Floats, residual: Floats, w: Floats,
               s0: float, s1: float, settled: bool) -> Fit:
        k, m = len(values), self.shape.size
        ridge, _ = self._priors(values, s0, normal)
        inverse = _inverse(self._held(normal, ridge, s0))
        row = inverse[0]
        gain = design.shape.times(row[k:k + m]) + design.dense @ np.concatenate([row[:k], row[k + m:]])
        total = float(inverse[0, 0]) * s0**2
        noise = float(row @ normal @ row) * s0**2
        return Fit(
            crest_deg=float(values[0]),
            shifts={s.name: float(v) for s, v in zip(self.shifts, values[1:], strict=True)},
            shift_variance={s.name: float(inverse[j, j]) * s0**2 for j, s in enumerate(self.shifts, start=1)},
            additions={a.name: float(v) for a, v in zip(self.additions, linear[m:], strict=True)},
            shape=self.shape, coefficients=linear,
            residual=residual, slope=design.slope, weight=w, s0=s0, s1_deg=s1,
            influence_deg=gain * w * residual, lever_deg=gain * w,
            variance_deg2=total, prior_variance_deg2=max(0.0, total - noise),
            u_deg=design.u, settled=settled, design=design, inverse=inverse,
        )


def _inverse(positive: Floats) -> Floats:
    """Inverse of a symmetric positive definite matrix, through its Cholesky factor."""
    factor, failed = lapack.dpotrf(positive.T, lower=1, clean=0)
    half, failed = lapack.dpotri(factor, lower=1, overwrite_c=1) if not failed else (factor, failed)
    if failed:
        raise linalg.LinAlgError("The normal matrix could not be inverted.")
    lower = np.tril(half)
    lower += np.tril(half, -1).T
    return np.asarray(lower)
