"""What a trace cannot tell apart is budgeted, and no more than that; with and without what was done about each."""

from __future__ import annotations

import numpy as np
import pytest

from analysis import analyse, simulate
from analysis.reference import lines, trial
from analysis.simulate import Setup

Patch = pytest.MonkeyPatch
PISTON = {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0}
BEAT = "encoder lines in beat with the sampling"


def two_passes(seed: int) -> Setup:
    """A piston passed once each way while the probe drifts as it likes."""
    drift = np.random.default_rng([seed, 8]).normal(0.0, 0.03, 3)
    return Setup(lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, base_mm=30.0, low_mm=0.0, reach_deg=70.0,
                 senses=(1, -1), speeds_deg_s=(5.87, 6.29), interval_s=0.023, encoder_step_deg=0.0403, noise_mm=0.004,
                 lash_deg=0.1, delay_s=0.006, drift_mm=tuple(drift), seed=seed)


def spread_of_two_passes() -> float:
    """Root mean square of twice the error over U for 60 drifts: 1 where the uncertainty is right."""
    found = []
    for seed in range(60):
        made = simulate.record(two_passes(seed))
        result = analyse(made.csv(), {"datum": PISTON, "tolerance_deg": 0.5})
        found.append(2.0 * (float(str(result["reference_deg"])) - made.crest_deg)
                     / float(str(result["expanded_uncertainty_deg"])))
    return float(np.sqrt(np.mean(np.square(found))))


def test_a_drift_out_and_back_over_a_piston_is_budgeted(monkeypatch: Patch) -> None:
    # the part of it that looks like another crest is as large as the others may be, not as they happen to be
    assert spread_of_two_passes() < 1.2
    monkeypatch.setattr(trial, "OUT_AND_BACK", 0)
    assert spread_of_two_passes() > 1.2


def beat_and_residuals(seed: int) -> tuple[float, float]:
    """What is budgeted for a beat of the lines, and for the residuals, of a trace in which a quick ripple breaks it."""
    setup = Setup(lift=simulate.harmonic_lobe(17.0, 58.0, 1.4), reach_deg=140.0, noise_mm=0.003, interval_s=0.025,
                  encoder_step_deg=0.1019, speeds_deg_s=(7.7, 3.59), ripple=0.12, ripple_hz=0.69, seed=seed)
    result = analyse(simulate.record(setup).csv(), {"datum": {"kind": "lobe"}, "crank_per_datum": 2,
                                                    "tolerance_deg": 0.5})
    budget = {line["source"]: line["standard_uncertainty_deg"] for line in result["budget"]}  # type: ignore[attr-defined]
    return budget.get(BEAT, 0.0), budget["residuals of the fit"]


def test_a_path_that_follows_the_lines_makes_no_beat(monkeypatch: Patch) -> None:
    shares = [beat / own for beat, own in map(beat_and_residuals, range(6))]
    assert max(shares) < 1.0
    monkeypatch.setattr(lines, "STIFF_BIN_S", None)
    shares = [beat / own for beat, own in map(beat_and_residuals, range(6))]
    assert np.median(shares) > 1.0
