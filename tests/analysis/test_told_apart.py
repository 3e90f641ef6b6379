"""What a trace cannot tell apart is budgeted, and no more than that; with and without what was done about each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, simulate
from analysis.reference import budget, doubts, estimate, lines, nuisances, trial
from analysis.simulate import Setup

Patch = pytest.MonkeyPatch
PISTON = {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0}
LOBE = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, speeds_deg_s=(5.87, 6.29), interval_s=0.023,
             encoder_step_deg=0.0403, noise_mm=0.003, lash_deg=0.1, delay_s=0.006)
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


def how_far_off() -> float:
    """Mean error over U where a drift goes out by 64 µm and back, and what shows of it happens to be small."""
    setup = Setup(lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, base_mm=34.2, low_mm=0.0, reach_deg=56.6,
                  senses=(1, -1), speeds_deg_s=(4.8, 2.95), ripple=0.18, ripple_hz=0.56, interval_s=0.025, jitter=0.02,
                  encoder_per_crank=8.4375, encoder_step_deg=0.587, noise_mm=0.0157, converter_mm=0.003, lash_deg=0.176,
                  thrown=(1, -1), thrown_at_deg=12.0, delay_s=0.048, drift_mm=(0.0231, 0.0636, -0.0272))
    found = []
    for seed in range(6):
        made = simulate.record(replace(setup, seed=seed))
        result = analyse(made.csv(), {"datum": PISTON, "tolerance_deg": 0.5})
        found.append(abs(float(str(result["reference_deg"])) - made.crest_deg)
                     / float(str(result["expanded_uncertainty_deg"])))
    return float(np.mean(found))


def test_a_drift_that_shows_little_is_not_taken_for_none(monkeypatch: Patch) -> None:
    assert how_far_off() < 2.8
    monkeypatch.setattr(doubts, "HIDDEN_FACTOR", 1e9)
    assert how_far_off() > 3.0


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
    monkeypatch.setattr(lines, "STIFF_BINS_S", ())
    shares = [beat / own for beat, own in map(beat_and_residuals, range(6))]
    assert np.median(shares) > 1.0


def off_in_step() -> float:
    """Twice the error over U, root mean square, where lines fall in step each time that the speed comes by."""
    found = []
    for seed in range(12):
        setup = Setup(lift=simulate.harmonic_lobe(20.15, 57.0, 1.4), reach_deg=130.5, noise_mm=0.0016, ripple=0.0287,
                      ripple_hz=0.536, encoder_per_crank=11.25, encoder_step_deg=0.23927, speeds_deg_s=(4.2058, 4.151),
                      seed=seed)
        made = simulate.record(setup)
        result = analyse(made.csv(), {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5})
        found.append(2.0 * (float(str(result["reference_deg"])) - made.crest_deg)
                     / float(str(result["expanded_uncertainty_deg"])))
    return float(np.sqrt(np.mean(np.square(found))))


def test_a_path_that_cannot_follow_the_shaft_does_not_hide_a_beat(monkeypatch: Patch) -> None:
    assert off_in_step() < 1.3
    monkeypatch.setattr(lines, "STIFF_BINS_S", (0.4,))
    assert off_in_step() > 2.0


def off_at(step_deg: float, speed_deg_s: float) -> float:
    """Twice the error over U, root mean square, of lobes barred so evenly that lines stay in step with the samples."""
    found = []
    for seed in range(8):
        setup = replace(LOBE, senses=(1, -1), speeds_deg_s=(speed_deg_s, speed_deg_s), interval_s=0.02, delay_s=0.02,
                        encoder_step_deg=step_deg, crest_deg=140.0 + 0.0131 * seed, ripple=0.0, wrap=False, seed=seed)
        made = simulate.record(setup)
        result = analyse(made.csv(), {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5})
        found.append(2.0 * (float(str(result["reference_deg"])) - made.crest_deg)
                     / float(str(result["expanded_uncertainty_deg"])))
    return float(np.sqrt(np.mean(np.square(found))))


# lines from sample to sample, with what once kept them from being seen
@pytest.mark.parametrize(("step_deg", "speed_deg_s", "name", "value"), [
    (0.072, 5.4, "PLACES", 4), (0.072, 1.8, "EVENLY", 0.0), (0.072, 1.2, "EVENLY", 0.0), (0.1, 1.0, "EVENLY", 0.0)])
def test_lines_in_step_with_every_second_third_or_fifth_sample_are_budgeted(
        step_deg: float, speed_deg_s: float, name: str, value: float, monkeypatch: Patch) -> None:
    assert off_at(step_deg, speed_deg_s) < 1.6
    monkeypatch.setattr(lines, name, value)
    assert off_at(step_deg, speed_deg_s) > 8.0


def stuck(seed: int, friction_mm: float) -> tuple[float, float, float | None]:
    """Error over U, U, and what was found of the friction in micrometres, for a lobe."""
    return _looked_at(replace(LOBE, friction_mm=friction_mm, seed=seed), "probe friction")


def twice(seed: int, second_deg: float) -> tuple[float, float, float | None]:
    """Error over U, U, and what was found of an error of the encoder twice a turn in degrees, for a lobe."""
    setup = replace(LOBE, second_deg=second_deg, second_phase_deg=70.0, seed=seed)
    return _looked_at(setup, "encoder, twice a turn", u_encoder_deg=0.0141)


def _looked_at(setup: Setup, name: str, **spec: float) -> tuple[float, float, float | None]:
    made = simulate.record(setup)
    result = analyse(made.csv(), {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5, **spec})
    expanded = float(str(result["expanded_uncertainty_deg"]))
    found = [check["value"] for check in result["checks"] if check["name"] == name]  # type: ignore[attr-defined]
    return (float(str(result["reference_deg"])) - made.crest_deg) / expanded, expanded, found[0] if found else None


def test_a_probe_that_sticks_is_seen_at_its_size_and_not_where_it_does_not(monkeypatch: Patch) -> None:
    for seed in range(4):
        pull, expanded, size = stuck(seed, 0.01)
        assert abs(pull) < 1.6
        assert size == pytest.approx(10.0, abs=1.0)
        assert stuck(seed, 0.0)[2] is None
        with monkeypatch.context() as without:
            without.setattr(estimate, "friction", lambda *_: None)
            assert stuck(seed, 0.01)[1] > 3.0 * expanded


def test_an_encoder_that_errs_twice_a_turn_is_seen_where_the_trace_shows_it(monkeypatch: Patch) -> None:
    for seed in range(4):
        pull, expanded, size = twice(seed, 0.02)
        assert abs(pull) < 1.6
        assert size == pytest.approx(0.02, abs=0.01)
        assert twice(seed, 0.0)[2] is None
        with monkeypatch.context() as without:
            without.setattr(estimate, "twice_a_turn", lambda *_: ([], 0.0))
            without.setattr(nuisances, "SECOND_PART", 1e-6)
            # less than without a place of the datum that would stand off by as much
            assert twice(seed, 0.02)[1] > 2.0 * expanded


def evenly_passed() -> tuple[float, float]:
    """Root mean square of twice the error over U, and the median U, where the lines are most of the noise."""
    found = []
    for seed in range(20):
        setup = replace(LOBE, noise_mm=0.0004, lash_deg=0.0, delay_s=0.0, interval_s=0.02, speeds_deg_s=(5.87, 5.31),
                        encoder_step_deg=0.13, seed=seed)
        found.append(_looked_at(setup, "")[:2])
    pulls, expanded = np.array(found).T
    return float(np.sqrt(np.mean(np.square(2.0 * pulls)))), float(np.median(expanded))


def test_lines_that_are_passed_evenly_cost_less_than_chance(monkeypatch: Patch) -> None:
    spread, expanded = evenly_passed()
    assert spread < 1.2
    monkeypatch.setattr(budget, "LEAST_PART", 1.0)
    wider, more = evenly_passed()
    assert wider < spread
    assert more > 1.06 * expanded      # the weights say no more than a ninth above the least that is taken


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_wobble_of_the_path_about_lines_in_step_is_no_lag(seed: int, monkeypatch: Patch) -> None:
    # four lines and a thirtieth from sample to sample, a speed as even as a clock's: neither lag nor lash is there
    setup = Setup(lift=simulate.harmonic_lobe(17.3, 52.0, 1.8), reach_deg=116.5, senses=(1, -1), wrap=False,
                  speeds_deg_s=(4.4525, 4.5565), ripple=3e-5, interval_s=0.01, noise_mm=0.0008, encoder_per_crank=0.5,
                  encoder_step_deg=0.0055244, base_mm=0.66, seed=seed)
    made = simulate.record(setup)
    spec = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}

    def pull() -> float:
        result = analyse(made.csv(), spec)
        assert isinstance(result["reference_deg"], float)
        return abs(result["reference_deg"] - made.crest_deg) / float(str(result["expanded_uncertainty_deg"]))

    assert pull() < 1.0
    monkeypatch.setattr(trial.Trial, "lag_of_lines", lambda *_: False)
    assert pull() > 2.0


@pytest.mark.parametrize(("speed", "part", "interval_s"), [(30.0, 0.7, 0.002), (15.0, 0.8, 0.005)])
def test_a_speed_that_changes_over_many_lines_was_read(speed: float, part: float, interval_s: float,
                                                       monkeypatch: Patch) -> None:
    # barred by hand: it nearly stands, and then passes several lines while the probe lags
    setup = replace(LOBE, speeds_deg_s=(speed, 1.13 * speed), stick_hz=0.8, stick_part=part, encoder_step_deg=0.05,
                    interval_s=interval_s, delay_s=0.01, senses=(1, -1, 1, -1))

    def figures() -> tuple[float, float]:
        pulls, wide = [], []
        for seed in range(4):
            made = simulate.record(replace(setup, seed=seed))
            result = analyse(made.csv(), {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5})
            assert isinstance(result["reference_deg"], float)
            wide.append(float(str(result["expanded_uncertainty_deg"])))
            pulls.append(abs(result["reference_deg"] - made.crest_deg) / wide[-1])
        return max(pulls), float(np.median(wide))

    pull, wide = figures()
    assert pull < 1.6
    monkeypatch.setattr(budget, "READ_LINES", np.inf)
    assert figures()[1] > 7.0 * wide
