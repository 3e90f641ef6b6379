"""A recorder that samples but once or a few times a second: what it reads is believed for what it is worth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, checks, simulate
from analysis.reference import path
from analysis.simulate import Setup

Patch = pytest.MonkeyPatch
LOBE = Setup(lift=simulate.harmonic_lobe(18.0, 60.0), reach_deg=140.0, encoder_step_deg=0.03, noise_mm=0.003,
             speeds_deg_s=(5.1, 5.6, 4.7, 5.9), ripple=0.1, ripple_hz=0.2, delay_s=0.01, lash_deg=0.1, wrap=False)
SPEC: dict[str, object] = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}


def looked_at(setup: Setup, spec: dict[str, object] = SPEC) -> tuple[float | None, float, list[str]]:
    """Twice the error over U (None without a result), U, and what failed."""
    made = simulate.record(setup)
    result = analyse(made.csv(), spec)
    failed = [check["name"] for check in result["checks"] if not check["passed"]]  # type: ignore[attr-defined]
    if result["reference_deg"] is None:
        return None, 0.0, failed
    expanded = float(str(result["expanded_uncertainty_deg"]))
    return 2.0 * (float(str(result["reference_deg"])) - made.crest_deg) / expanded, expanded, failed


def figures(interval_s: float) -> tuple[float, float]:
    """Root mean square of twice the error over U, and the median U."""
    found = [looked_at(replace(LOBE, interval_s=interval_s, seed=seed)) for seed in range(8)]
    pulls = [pull for pull, _, _ in found if pull is not None]
    assert len(pulls) == len(found)
    return float(np.sqrt(np.mean(np.square(pulls)))), float(np.median([expanded for _, expanded, _ in found]))


@pytest.mark.parametrize("interval_s", [0.1, 0.2, 0.4])
def test_a_reading_that_no_path_smooths_is_worth_its_line(interval_s: float, monkeypatch: Patch) -> None:
    off, expanded = figures(interval_s)
    assert off < 1.5
    usual = figures(0.02)[1]
    assert expanded < 3.5 * usual * (interval_s / 0.02) ** 0.5
    # at the edges of their bins some hold none and some two, by rounding, and the path shows more scatter than there is
    monkeypatch.setattr(path, "ONE_EACH", 0.0)
    assert figures(interval_s)[1] > (1.1 if interval_s == 0.4 else 1.3) * expanded


def test_stamps_at_even_tenths_of_a_second_are_held_to_their_uncertainty(monkeypatch: Patch) -> None:
    setups = [replace(LOBE, lift=simulate.harmonic_lobe(9.0 + seed, 60.0), interval_s=0.1, jitter=0.0, delay_s=0.0,
                      converter_mm=0.0001, encoder_step_deg=0.03 + 0.005 * seed, seed=seed) for seed in range(16)]
    pulls = [looked_at(setup)[0] for setup in setups]
    assert None not in pulls
    assert np.sqrt(np.mean(np.square(np.array(pulls, float)))) < 1.2
    monkeypatch.setattr(path, "ONE_EACH", 0.0)
    blind = [looked_at(setup)[0] for setup in setups]
    assert np.sqrt(np.mean(np.square(np.array(blind, float)))) > 1.5


def test_a_sense_that_too_few_samples_leave_out_is_not_the_other_alone(monkeypatch: Patch) -> None:
    # 28 samples on the way there, 20 on the way back, and half of the lash between them
    setup = replace(LOBE, senses=(1, -1, 1), speeds_deg_s=(5.0, 7.0, 5.0), interval_s=2.0, ripple=0.02, lash_deg=0.4)
    assert looked_at(setup)[0] is None
    assert looked_at(setup)[2] == ["too few samples"]
    monkeypatch.setattr(checks, "_few_decide", lambda *_: False)
    pull, _, _ = looked_at(setup)
    assert pull is not None
    assert abs(pull) > 6.0


def test_a_short_way_back_leaves_a_trace_of_one_sense() -> None:
    setup = replace(LOBE, senses=(1, -1), last_part=0.05, interval_s=1.0, lash_deg=0.0, delay_s=0.0)
    pull, _, failed = looked_at(setup)
    assert pull is not None, failed
    assert abs(pull) < 3.2
