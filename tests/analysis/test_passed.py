"""A recorder that writes a row whenever the encoder moves on by a line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, engine, simulate
from analysis.reference.passed import where_passed
from analysis.simulate import Recording, Setup

Patch = pytest.MonkeyPatch
LASH_DEG = 0.1
LOBE = Setup(lift=simulate.harmonic_lobe(18.0, 60.0), reach_deg=140.0, noise_mm=0.003, ripple=0.1, ripple_hz=0.3,
             speeds_deg_s=(5.1, 5.6, 4.7, 5.9), interval_s=0.002, delay_s=0.01, lash_deg=LASH_DEG, wrap=False)
SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
SEEDS = range(4)


def at_lines(made: Recording) -> Recording:
    """The rows at which the encoder moved on."""
    rows = np.flatnonzero(np.diff(made.encoder_deg, prepend=made.encoder_deg[0] - 1.0) != 0.0)
    return replace(made, time_s=made.time_s[rows], encoder_deg=made.encoder_deg[rows], lift=made.lift[rows])


def figures(step_deg: float) -> tuple[float, float, float]:
    """Root mean square of twice the error over U, median U, and mean hysteresis, crank degrees."""
    pulls, wide, apart = [], [], []
    for seed in SEEDS:
        made = simulate.record(replace(LOBE, encoder_step_deg=step_deg, crest_deg=150.0 + 0.237 * seed, seed=seed))
        result = analyse(at_lines(made).csv(), SPEC)
        expanded = float(str(result["expanded_uncertainty_deg"]))
        pulls.append(2.0 * (float(str(result["reference_deg"])) - made.crest_deg) / expanded)
        wide.append(expanded)
        findings = result["findings"]
        assert isinstance(findings, dict)
        apart.append(2.0 * float(findings["hysteresis"]))
    return float(np.sqrt(np.mean(np.square(pulls)))), float(np.median(wide)), float(np.mean(apart))


def without(patch: Patch) -> None:
    patch.setattr(engine, "where_passed", lambda *_: None)


@pytest.mark.parametrize("step_deg", [0.1, 1.0])
def test_such_rows_are_worth_where_the_lines_are_passed(step_deg: float, monkeypatch: Patch) -> None:
    off, wide, apart = figures(step_deg)
    assert off < 1.6
    assert wide < 0.01
    assert apart == pytest.approx(LASH_DEG, abs=0.01)
    without(monkeypatch)
    _, blind, apart = figures(step_deg)
    assert blind > 5.0 * wide
    assert apart == pytest.approx(LASH_DEG + step_deg, abs=0.02)     # a line on the way there, and one on the way back


def test_it_is_said(monkeypatch: Patch) -> None:
    def told() -> Mapping[str, object] | None:
        made = at_lines(simulate.record(replace(LOBE, encoder_step_deg=0.25)))
        checks = analyse(made.csv(), SPEC)["checks"]
        assert isinstance(checks, list)
        return next((check for check in checks if check["name"] == "rows at the encoder's lines"), None)

    said = told()
    assert said is not None
    assert said["passed"]
    assert "0.25 degrees from the last" in str(said["message"])
    without(monkeypatch)
    assert told() is None


def test_each_row_is_half_a_line_short_in_its_own_sense() -> None:
    turning = np.concatenate([np.arange(0, 60), np.arange(58, -1, -1)]) * 0.5
    time_s = np.cumsum(1.0 + 0.5 * np.sin(np.arange(len(turning)) / 7.0))
    found = where_passed(time_s, turning, 0.5)
    assert found is not None
    assert np.allclose(found[:60], turning[:60] - 0.25)
    assert np.allclose(found[60:], turning[60:] + 0.25)
    shifted = where_passed(time_s, turning + 100.0, 0.5)
    assert shifted is not None
    assert np.allclose(shifted, found + 100.0)
    assert where_passed(time_s, turning, 0.0) is None
    assert where_passed(time_s[:30], turning[:30], 0.5) is None


def test_samples_of_an_even_clock_are_none_whatever_the_speed() -> None:
    even = np.arange(119) * 1.0
    turning = np.concatenate([np.arange(0, 60), np.arange(58, -1, -1)]) * 0.5
    assert where_passed(even, turning, 0.5) is None
    rng = np.random.default_rng(1)
    assert where_passed(even + rng.uniform(-0.05, 0.05, 119), turning, 0.5) is None
    for step_deg in (0.02, 0.1, 0.4):
        made = simulate.record(replace(LOBE, encoder_step_deg=step_deg, interval_s=0.02))
        assert where_passed(made.time_s, made.encoder_deg, step_deg) is None
