"""A lift that waves, lines in step with the samples, a lag that nothing tells, a second harmonic, a line seldom seen.

What a metrologist found with a simulator of his own. Each with and without what mends it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from analysis import analyse, simulate
from analysis.engine import work
from analysis.reference import doubts, nuisances, trial
from analysis.simulate import Setup
from analysis.spec import read_spec
from analysis.sweeps import encoder_step
from analysis.traces import read_trace

Patch = pytest.MonkeyPatch
Floats = npt.NDArray[np.float64]
SPEC: dict[str, object] = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}
EVEN = Setup(lift=simulate.harmonic_lobe(14.0, 60.0), reach_deg=130.0, encoder_step_deg=0.05, noise_mm=0.002,
             interval_s=0.03, senses=(1, -1), speeds_deg_s=(4.6, 4.2), ripple=0.0, lash_deg=0.08, delay_s=0.008,
             wrap=False, crest_deg=150.0)


def looked_at(setup: Setup, **more: object) -> tuple[float | None, float | None, dict[str, object]]:
    """Twice the error over U, U, and the result."""
    made = simulate.record(setup)
    result = analyse(made.csv(), {**SPEC, **more})
    reference, expanded = result["reference_deg"], result["expanded_uncertainty_deg"]
    if not isinstance(reference, float) or not isinstance(expanded, float):
        return None, None, result
    return 2.0 * ((reference - made.crest_deg + 360.0) % 720.0 - 360.0) / expanded, expanded, result


def rms(pulls: list[float | None]) -> float:
    return float(np.sqrt(np.mean(np.square(np.array([pull for pull in pulls if pull is not None])))))


# --- a waviness of the lift ------------------------------------------------------------------------------


def waved(seed: int) -> Setup:
    """Three micrometres of a wave that comes again every 0.4 to 2 degrees of the cam, as of a roller."""
    chance = np.random.default_rng([seed, 41])
    period, phase = chance.uniform(0.4, 2.0), chance.uniform(0.0, 6.3)
    plain = simulate.harmonic_lobe(float(chance.uniform(6.0, 20.0)), 60.0)

    def lift(angle: Floats) -> Floats:
        return plain(angle) + 0.003 * np.sin(2.0 * np.pi * angle / period + phase)

    return replace(EVEN, lift=lift, noise_mm=0.0015, speeds_deg_s=tuple(chance.uniform(3.0, 6.0, 2)),
                   crest_deg=150.0 + seed, seed=seed)


def test_a_wave_on_the_lift_is_no_drift(monkeypatch: Patch) -> None:
    pulls = [looked_at(waved(seed))[0] for seed in range(16)]
    assert sum(pull is None for pull in pulls) <= 1
    assert rms(pulls) < 1.7
    monkeypatch.setattr(doubts, "SEEN_PART", 0.0)
    blind = [looked_at(waved(seed))[0] for seed in range(16)]
    assert max(abs(pull) for pull in blind if pull is not None) > 6.0
    assert rms(blind) > 1.5 * rms(pulls)


# --- lines in step with the samples ----------------------------------------------------------------------


def in_step(seed: int) -> Setup:
    """Two lines from sample to sample, at speeds that differ by little: what the lines do looks like a lag."""
    chance = np.random.default_rng([seed, 43])
    speed = 2.0 * 0.05 / 0.03 * (1.0 + chance.uniform(-0.02, 0.02))
    return replace(EVEN, lift=simulate.harmonic_lobe(float(chance.uniform(6.0, 20.0)), 60.0),
                   speeds_deg_s=(speed, speed * chance.uniform(0.95, 1.0)), crest_deg=150.0 + seed * 0.37, seed=seed)


def test_lines_in_step_with_the_samples_are_no_knock(monkeypatch: Patch) -> None:
    seeds = range(14)
    pulls = [looked_at(in_step(seed))[0] for seed in seeds]
    assert None not in pulls
    assert rms(pulls) < 1.6
    monkeypatch.setattr(trial.Trial, "_lag_by_lines", lambda *_: 0.0)
    assert sum(looked_at(in_step(seed))[0] is None for seed in seeds) >= 2


# --- a lag that nothing tells ----------------------------------------------------------------------------


def test_a_lag_that_nothing_tells_is_not_taken_for_small(monkeypatch: Patch) -> None:
    setups = [replace(EVEN, speeds_deg_s=(6.0, 2.0), delay_s=0.04, lash_deg=0.02 * seed, seed=seed)
              for seed in range(8)]
    held = rms([looked_at(setup)[0] for setup in setups])
    assert held < 2.2
    monkeypatch.setattr(trial, "UNTOLD_PART", np.inf)
    assert rms([looked_at(setup)[0] for setup in setups]) > 1.15 * held


# --- an encoder that errs twice a turn as well -----------------------------------------------------------


def test_an_encoder_whose_error_is_stated_may_err_twice_a_turn(monkeypatch: Patch) -> None:
    setups = [replace(EVEN, eccentricity_deg=0.02, eccentricity_phase_deg=47.0 * seed, second_deg=0.006,
                      second_phase_deg=101.0 * seed, senses=(1, -1, 1, -1), seed=seed) for seed in range(10)]
    held = rms([looked_at(setup, u_encoder_deg=0.015)[0] for setup in setups])
    assert held < 1.8
    monkeypatch.setattr(nuisances, "SECOND_PART", 1e-6)
    assert rms([looked_at(setup, u_encoder_deg=0.015)[0] for setup in setups]) > 1.5 * held


# --- the encoder's step ----------------------------------------------------------------------------------


def test_a_drive_in_step_with_the_samples_still_shows_a_line() -> None:
    even = np.concatenate([[71.9, 72.0, 72.2], 72.4 + 0.3 * np.arange(800), [312.5, 312.6, 312.7]])
    assert encoder_step(even) == pytest.approx(0.1, abs=1e-6)
    assert encoder_step(even[3:-3]) == pytest.approx(0.3, abs=1e-6)
    # what is written to five places is rounded, which is no line
    lines = np.round(360.0 / 4096.0 * np.arange(3000), 5)
    assert encoder_step(lines) == pytest.approx(360.0 / 4096.0, abs=2e-5)
    assert encoder_step(np.sort(np.concatenate([lines, lines[::3] + 1e-5]))) < 0.088


def test_a_pass_cut_between_crests_keeps_its_step() -> None:
    turning = replace(EVEN, lift=simulate.piston(120.0, 480.0), crank_per_datum=1.0, reach_deg=520.0, base_mm=0.0,
                      encoder_step_deg=0.1, speeds_deg_s=(15.0, 14.7), interval_s=0.02, senses=(1, -1))
    made = simulate.record(turning)
    spec = read_spec({"datum": {"kind": "piston", "crank_radius_mm": 120.0, "rod_length_mm": 480.0},
                      "crank_per_datum": 1, "tolerance_deg": 0.5})
    done = work(read_trace(made.csv()), spec)
    assert done.points is not None
    assert len(done.sweeps) > 2
    assert done.points.lines.step_deg == pytest.approx(0.1, abs=1e-6)


def test_a_sweep_that_turns_too_soon_is_told_how_far_it_came() -> None:
    made = simulate.record(replace(EVEN, senses=(1, -1, 1, -1)))
    short = made.encoder_deg < made.encoder_deg.min() + 150.0
    made = replace(made, time_s=made.time_s[short], encoder_deg=made.encoder_deg[short], lift=made.lift[short])
    result = analyse(made.csv(), SPEC)
    assert result["reference_deg"] is None
    assert "turn on until it has fallen by more than half" in str(result["checks"])
