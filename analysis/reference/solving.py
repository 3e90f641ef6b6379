"""Gauss–Newton for the model of `fit`: one linear least-squares problem at each step, weights anew after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg

from analysis.reference.bordered import Bordered
from analysis.reference.fit import Addition, Design, Fit, Shift, Tie
from analysis.reference.points import Points
from analysis.reference.rows import Rows
from analysis.reference.shapes import Shape
from analysis.reference.weights import Weigher

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
    weigh = Weigher(points, allowed, gentle=gentle)
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
            s0, s1, w = weigh(residual, design.slope)
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


@dataclass(frozen=True)
class _Normal:
    """Normal matrix without priors, in the parts of `Bordered`, and the right-hand sides of shape and rest."""

    band: Floats
    border: Floats
    rest: Floats
    shape_right: Floats
    right: Floats


@dataclass(frozen=True)
class _Priors:
    """Diagonal and right-hand side of the prior observations, of the rest and of the shape."""

    ridge: Floats
    pull: Floats
    shape_ridge: Floats
    shape_pull: Floats


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
        self.sizes = np.array([s.prior for s in shifts] + [a.prior for a in additions])

    def step(self, values: Floats, linear: Floats | None, w: Floats, s0: float
             ) -> tuple[Floats, Floats, Design, _Normal]:
        """Step of crest and shifts, the linear coefficients, the design and its normal matrix without priors."""
        p = self.points
        u = p.angle_deg - self.patterns @ values
        rows = self.shape.rows(u)
        if linear is None:
            linear = self._first(rows, w)
        slope = self.shape.slope(u, linear[: self.shape.size], rows)
        dense = np.column_stack([-slope[:, None] * self.patterns, self.added])
        design = Design(rows, dense, slope, u)
        normal = self._normal(design, w)
        priors = self._priors(values, s0, normal)
        rest, shape = self._held(normal, priors, s0).solve(normal.right + priors.pull, normal.shape_right
                                                           + priors.shape_pull)
        k = len(values)
        return rest[:k], np.concatenate([shape, rest[k:]]), design, normal

    def _first(self, rows: Rows, w: Floats) -> Floats:
        """Shape coefficients before any slope is known."""
        band = rows.band(w)
        band[0] += 1e-9 * max(float(band[0].mean()), 1e-12)
        return np.asarray(linalg.solveh_banded(band, rows.down((w * self.points.lift)[:, None])[:, 0], lower=True))

    def _normal(self, design: Design, w: Floats) -> _Normal:
        """Normal matrix and right-hand side."""
        dense_w = design.dense * w[:, None]
        lift_w = w * self.points.lift
        border = design.shape.down(np.column_stack([dense_w, lift_w]))
        return _Normal(design.shape.band(w), border[:, :-1], design.dense.T @ dense_w, border[:, -1],
                       design.dense.T @ lift_w)

    def _priors(self, values: Floats, s0: float, normal: _Normal) -> _Priors:
        """Prior observations, in units of 1/s0²; ties add to the right-hand side."""
        k, m = len(values), self.shape.size
        ridge, pull = np.concatenate([[0.0], (s0 / self.sizes) ** 2]), np.zeros(k + len(self.additions))
        pull[1:k] = -ridge[1:k] * values[1:]
        shape_ridge, shape_pull = np.zeros(m), np.zeros(m)
        if not self.shape.known:
            shape_ridge[:] = 1e-8 * max(float(normal.band[0].mean()), 1e-12)
        elif self.gain_prior is not None:
            shape_ridge[1] = shape_pull[1] = (s0 / self.gain_prior) ** 2
        for one, other, ratio, deg in self.ties:
            away = (s0 / deg) ** 2 * (values[one] - ratio * values[other])
            pull[one] -= away
            pull[other] += ratio * away
        return _Priors(ridge, pull, shape_ridge, shape_pull)

    def _held(self, normal: _Normal, priors: _Priors, s0: float) -> Bordered:
        """The normal matrix with the diagonal of the priors and with the ties."""
        band, rest = normal.band.copy(), normal.rest.copy()
        band[0] += priors.shape_ridge
        np.einsum("ii->i", rest)[:] += priors.ridge
        for one, other, ratio, deg in self.ties:
            size = (s0 / deg) ** 2
            rest[one, one] += size
            rest[other, other] += ratio**2 * size
            rest[one, other] -= ratio * size
            rest[other, one] -= ratio * size
        return Bordered(band, normal.border, rest)

    def residual(self, design: Design, step: Floats, linear: Floats) -> Floats:
        m = self.shape.size
        shape_part = design.shape.times(linear[:m])
        return np.asarray(self.points.lift - shape_part - design.dense @ np.concatenate([step, linear[m:]]))

    def finish(self, values: Floats, linear: Floats, design: Design, normal: _Normal, residual: Floats, w: Floats,
               s0: float, s1: float, settled: bool) -> Fit:
        m = self.shape.size
        priors = self._priors(values, s0, normal)
        held = self._held(normal, priors, s0)
        variance = np.diagonal(held.inverse) * s0**2
        rest, shape = held.row(0)
        gain = design.shape.times(shape) + design.dense @ rest
        # what the crest owes to the priors: each pulls with its own weight
        owed = float(priors.ridge @ rest**2 + priors.shape_ridge @ shape**2)
        owed += sum((s0 / deg) ** 2 * float(rest[one] - ratio * rest[other]) ** 2
                    for one, other, ratio, deg in self.ties)
        return Fit(
            crest_deg=float(values[0]),
            shifts={s.name: float(v) for s, v in zip(self.shifts, values[1:], strict=True)},
            shift_variance={s.name: float(variance[j]) for j, s in enumerate(self.shifts, start=1)},
            additions={a.name: float(v) for a, v in zip(self.additions, linear[m:], strict=True)},
            shape=self.shape, coefficients=linear,
            residual=residual, slope=design.slope, weight=w, s0=s0, s1_deg=s1,
            influence_deg=gain * w * residual, lever_deg=gain * w,
            variance_deg2=float(variance[0]), prior_variance_deg2=owed * s0**2,
            u_deg=design.u, settled=settled, design=design, normal=held,
        )
