"""Lines that last for many samples each: what is known is when they are passed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, checks, recorded, simulate
from analysis.reference import points
from analysis.simulate import Setup
from tests.analysis.test_slow_recorders import looked_at

Patch = pytest.MonkeyPatch
LOBE = Setup(lift=simulate.harmonic_lobe(18.0, 60.0), reach_deg=140.0, noise_mm=0.003, ripple=0.1, ripple_hz=0.2,
             speeds_deg_s=(5.1, 5.6, 4.7, 5.9), interval_s=0.01, delay_s=0.01, lash_deg=0.1, wrap=False)
LOBE_SPEC: dict[str, object] = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
PISTON = replace(LOBE, lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, reach_deg=65.0, base_mm=30.0)
PISTON_SPEC: dict[str, object] = {"datum": {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0},
                                  "crank_per_datum": 1, "tolerance_deg": 0.5}
SEEDS = range(6)


def figures(setup: Setup, spec: dict[str, object] = LOBE_SPEC) -> tuple[float, float]:
    """Root mean square of twice the error over U, and the median U."""
    found = [looked_at(replace(setup, crest_deg=150.0 + 0.137 * seed, seed=seed), spec) for seed in SEEDS]
    pulls = [pull for pull, _, _ in found if pull is not None]
    assert len(pulls) == len(found), [failed for _, _, failed in found]
    return float(np.sqrt(np.mean(np.square(pulls)))), float(np.median([expanded for _, expanded, _ in found]))


@pytest.mark.parametrize(("step_deg", "most", "without"), [(0.7, 0.006, 1.5), (1.5, 0.02, 1.1)])
def test_the_path_goes_through_where_lines_are_passed(step_deg: float, most: float, without: float,
                                                      monkeypatch: Patch) -> None:
    off, wide = figures(replace(LOBE, encoder_step_deg=step_deg))
    assert off < 1.6
    assert wide < most
    monkeypatch.setattr(points, "EACH_PASSED", np.inf)
    assert figures(replace(LOBE, encoder_step_deg=step_deg))[1] > without * wide


def test_a_shaft_that_changes_its_speed_between_two_lines_hides_the_lag(monkeypatch: Patch) -> None:
    quick = replace(LOBE, encoder_step_deg=2.0, ripple=0.3, ripple_hz=1.1, speeds_deg_s=(4.0, 5.5), senses=(1, -1),
                    delay_s=0.04)
    off, wide = figures(quick)
    assert off < 1.6
    monkeypatch.setattr(points, "HIDDEN_TIMES", np.inf)
    assert figures(quick)[1] < 0.8 * wide


def test_a_line_of_whole_degrees_is_no_encoder_that_is_stuck(monkeypatch: Patch) -> None:
    coarse = replace(PISTON, encoder_step_deg=3.0)
    off, _ = figures(coarse, PISTON_SPEC)
    assert off < 1.6
    stuck = replace(coarse, encoder_step_deg=0.05, stuck=(0, 0.3, 6.0))
    assert "encoder stuck" in looked_at(stuck, PISTON_SPEC)[2]
    assert "encoder stuck" in looked_at(replace(coarse, stuck=(0, 0.3, 6.0)), PISTON_SPEC)[2]
    monkeypatch.setattr(recorded, "A_LINE", 0.0)
    assert looked_at(coarse, PISTON_SPEC)[2] == ["encoder stuck"]


def test_a_slow_shaft_does_not_stand_on_each_line(monkeypatch: Patch) -> None:
    slow = replace(LOBE, encoder_step_deg=3.0, speeds_deg_s=(0.5, 0.52, 0.47, 0.55), ripple=0.02, ripple_hz=0.02,
                   interval_s=0.05)
    off, wide = figures(slow)
    assert off < 1.6
    monkeypatch.setattr(points, "STALL_LINES", 0.0)
    blind = [looked_at(replace(slow, crest_deg=150.0 + 0.137 * seed, seed=seed), LOBE_SPEC) for seed in SEEDS]
    assert any(pull is None or expanded > 5.0 * wide for pull, expanded, _ in blind)


def test_an_angle_that_errs_by_degrees_is_no_angle(monkeypatch: Patch) -> None:
    lobe = simulate.harmonic_lobe(14.0, 58.0, 1.6, 0.0, 0.15)
    made = simulate.record(replace(LOBE, lift=lobe, encoder_step_deg=0.03, lash_deg=0.15, thrown=(1, -1)))
    angles = np.arange(-75.0, 75.5, 0.5)
    leaning = simulate.harmonic_lobe(14.0, 58.0, 1.6, 0.0, 0.22)(angles)
    spec = {**LOBE_SPEC, "datum": {"kind": "lobe-profile", "profile": [
        [float(at), float(lift)] for at, lift in zip(angles, leaning, strict=True)]}}
    monkeypatch.setattr(checks, "_related", lambda *_: None)
    result = analyse(made.csv(), spec)
    told = [check["message"] for check in result["checks"] if not check["passed"]]  # type: ignore[attr-defined]
    assert result["reference_deg"] is None
    assert "no passage over one datum" in told[0]
