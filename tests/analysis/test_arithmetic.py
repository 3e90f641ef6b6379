"""The short ways of the arithmetic give what the long ones give."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from analysis import simulate
from analysis.engine import work
from analysis.quantiles import median, quantiles
from analysis.reference.bordered import Bordered
from analysis.reference.doubts import likelihoods
from analysis.reference.rows import EvenRows, PlainRows, Rows
from analysis.reference.spline import EvenSpline
from analysis.spec import read_spec
from analysis.traces import read_trace


@pytest.mark.parametrize("count", [1, 2, 7, 40, 1001])
def test_medians_and_quantiles_are_numpys(count: int) -> None:
    values = np.random.default_rng(count).standard_normal(count)
    assert median(values) == pytest.approx(float(np.median(values)), abs=1e-15)
    parts = (0.0, 0.01, 0.3, 0.995, 1.0)
    assert quantiles(values, *parts) == pytest.approx(np.quantile(values, parts).tolist(), abs=1e-14)


@pytest.mark.parametrize("count", [4, 5, 12, 900])
def test_the_even_spline_is_the_general_one(count: int) -> None:
    rng = np.random.default_rng(count)
    values = np.cumsum(rng.standard_normal(count))
    knots = 3.0 + 0.04 * np.arange(count)
    at = rng.uniform(knots[0], knots[-1], 200)
    even, general = EvenSpline(3.0, 0.04, values), CubicSpline(knots, values)
    assert even(at) == pytest.approx(general(at), abs=1e-8)
    assert even.rate(at) == pytest.approx(general(at, 1), abs=1e-6)


def _matrix(rows: Rows, count: int) -> np.ndarray:
    return np.column_stack([rows.times(column) for column in np.eye(count)])


def _whole(band: np.ndarray) -> np.ndarray:
    size = band.shape[1]
    lower = sum(np.diag(band[below, :size - below], -below) for below in range(len(band)))
    return np.asarray(lower + np.tril(lower, -1).T)


@pytest.mark.parametrize("even", [True, False])
def test_products_of_rows_are_those_of_their_matrix(even: bool) -> None:
    rng = np.random.default_rng(3)
    n, knots = 300, 9
    along = rng.uniform(0.0, knots - 1e-9, n)
    rows: Rows = (EvenRows(along.astype(int), along % 1.0, knots) if even
                  else PlainRows(np.column_stack([np.ones(n), along])))
    matrix, weight = _matrix(rows, rows.size), rng.uniform(0.1, 2.0, n)
    assert _whole(rows.band(weight)) == pytest.approx((matrix * weight[:, None]).T @ matrix, abs=1e-9)
    columns = rng.standard_normal((n, 3))
    assert rows.down(columns) == pytest.approx(matrix.T @ columns, abs=1e-9)
    owner = np.sort(rng.integers(0, 5, n))
    sums = np.array([(matrix * weight[:, None])[owner == k].sum(axis=0) for k in range(5)])
    assert rows.sums(owner, weight, 5, slice(None)) == pytest.approx(sums, abs=1e-9)


def test_rows_like_others_keep_nothing_of_them() -> None:
    first = EvenRows(np.array([0, 1, 2]), np.array([0.1, 0.2, 0.3]), 4)
    again = EvenRows(np.array([3, 0, 1]), np.array([0.5, 0.6, 0.7]), 4, first)
    alone = EvenRows(np.array([3, 0, 1]), np.array([0.5, 0.6, 0.7]), 4)
    columns = np.eye(3)
    assert again.down(columns).tolist() == alone.down(columns).tolist()
    assert first.down(columns).tolist() != again.down(columns).tolist()


def test_a_bordered_matrix_is_solved_and_inverted_as_a_whole() -> None:
    rng = np.random.default_rng(5)
    m, q = 12, 4
    near = np.abs(np.subtract.outer(np.arange(m), np.arange(m)))
    shape = np.where(near <= 3, rng.uniform(-0.2, 0.2, (m, m)), 0.0)
    shape = shape + shape.T + 4.0 * np.eye(m)
    border, rest = rng.uniform(-0.3, 0.3, (m, q)), 5.0 * np.eye(q)
    whole = np.block([[rest, border.T], [border, shape]])
    band = np.zeros((4, m))
    for below in range(4):
        band[below, :m - below] = np.diagonal(shape, -below)
    held, inverse = Bordered(band, border, rest), np.linalg.inv(whole)
    column = rng.standard_normal(q + m)
    found = np.concatenate(held.solve(column[:q], column[q:]))
    assert found == pytest.approx(inverse @ column, abs=1e-12)
    assert held.inverse == pytest.approx(inverse[:q, :q], abs=1e-12)
    assert np.concatenate(held.row(1)) == pytest.approx(inverse[1], abs=1e-12)
    columns = rng.standard_normal((q + m, 3))
    white = held.whitened(columns[:q], columns[q:])
    assert white.T @ white == pytest.approx(columns.T @ inverse @ columns, abs=1e-12)


def testlikelihoods_on_the_axes_of_the_information_are_those_of_its_determinants() -> None:
    rng = np.random.default_rng(7)
    half = rng.standard_normal((5, 5))
    information, pull = half @ half.T, rng.standard_normal(5)
    scales = np.geomspace(0.01, 10.0, 6)
    told = likelihoods(information, pull, scales)
    for s, log in zip(scales, told, strict=True):
        logdet = np.linalg.slogdet(np.eye(5) + s * s * information)[1]
        power = pull @ np.linalg.solve(information + np.eye(5) / s**2, pull)
        assert log == pytest.approx(0.5 * (power - logdet), abs=1e-9)


@pytest.mark.parametrize("datum", ["lobe", "lobe-profile"])
def test_scores_of_many_columns_are_those_of_the_columns(datum: str) -> None:
    lift = simulate.harmonic_lobe(14.0, 55.0, 1.6)
    made = simulate.record(simulate.Setup(lift=lift, reach_deg=130.0, interval_s=0.05, noise_mm=0.004, lash_deg=0.1,
                                          drift_mm=(0.01, 0.004), encoder_step_deg=0.05))
    grid = np.arange(-70.0, 70.5, 0.5)
    profile = {"profile": [[float(a), float(v)] for a, v in zip(grid, lift(grid), strict=True)]}
    spec = read_spec({"datum": {"kind": datum, **(profile if datum == "lobe-profile" else {})},
                      "crank_per_datum": 2.0, "tolerance_deg": 0.5})
    done = work(read_trace(made.csv()), spec)
    assert done.estimate is not None
    points, fit = done.estimate.points, done.estimate.fit
    places = np.array([20.0, 0.0, 55.5, 7.0])             # in no order
    past = [(points.sense == sense)[:, None] & ((fit.u_deg * sense)[:, None] > places) for sense in (1.0, -1.0)]
    columns = -fit.slope[:, None] * np.hstack(past)
    pull, free, power = fit.score_past(points.sense, places)
    slow_pull, slow_free = fit.score_of(columns)
    assert pull == pytest.approx(slow_pull, rel=1e-6, abs=1e-9 * np.abs(slow_pull).max())
    assert free == pytest.approx(slow_free, rel=1e-6, abs=1e-9 * power.max())
    assert power == pytest.approx(np.einsum("ij,ij,i->j", columns, columns, fit.weight), rel=1e-9)
    for some in (np.array([40, 700, 1500]), np.array([950, 951, 960])):
        ends = [int(np.flatnonzero(points.sweep == points.sweep[k])[-1]) + 1 for k in some]
        steps = np.zeros((len(points), len(some)))
        for column, (first, end) in enumerate(zip(some, ends, strict=True)):
            steps[first:end, column] = 1.0
        assert fit.gain_of_steps(points, some) == pytest.approx(fit.gain(steps), rel=1e-6, abs=1e-6)
