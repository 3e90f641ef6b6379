"""A datum that is not the one in the spec is not bent to fit by angles, throws or a gain that no shop has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, checks, checks_effects, simulate
from analysis.reference import nuisances
from analysis.simulate import Setup
from tests.bench.groups import case

Patch = pytest.MonkeyPatch
Result = dict[str, object]
PISTON = {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0}
ANGLES = np.arange(-75.0, 75.5, 0.5)
PROFILE = [[float(a), round(float(lift), 6)]
           for a, lift in zip(ANGLES, simulate.harmonic_lobe(14.0, 58.0, 1.6, 0.0, 0.2)(ANGLES), strict=True)]
DAY = Setup(reach_deg=140.0, noise_mm=0.002, interval_s=0.02, encoder_step_deg=0.03, speeds_deg_s=(6.0, 5.6),
            lash_deg=0.15, thrown=(1, -1), senses=(1, -1, 1, -1), seed=1)


def against_profile(lobe: simulate.Lift, **more: object) -> Result:
    setup = replace(DAY, lift=lobe, **more)  # type: ignore[arg-type]
    return analyse(simulate.record(setup).csv(), {
        "datum": {"kind": "lobe-profile", "profile": PROFILE}, "crank_per_datum": 2, "tolerance_deg": 0.5})


def shut(result: Result) -> list[str]:
    return [str(one["name"]) for one in result["checks"] if not one["passed"]]  # type: ignore[attr-defined]


@pytest.mark.parametrize("width_and_lean", [(58.0, 0.15), (57.0, 0.2)])
def test_another_lobe_is_not_taken_up_by_throws_and_angles(width_and_lean: tuple[float, float], monkeypatch: Patch
                                                           ) -> None:
    lobe = simulate.harmonic_lobe(14.0, width_and_lean[0], 1.6, 0.0, width_and_lean[1])
    result = against_profile(lobe)
    assert (result["reference_deg"], shut(result)) == (None, ["profile mismatch"])
    monkeypatch.setattr(checks, "_related", lambda *_: None)
    monkeypatch.setattr(checks, "MOST_OF_ANY_DEG", np.inf)
    monkeypatch.setattr(checks, "MOST_EXPANDED_DEG", np.inf)
    monkeypatch.setattr(checks, "MOST_MISS_PROFILE_MM", np.inf)
    assert against_profile(lobe)["reference_deg"] is not None


def test_a_narrower_lobe_is_not_taken_up_by_a_throw(monkeypatch: Patch) -> None:
    lobe = simulate.harmonic_lobe(14.0, 57.0, 1.6, 0.0, 0.2)
    quiet: dict[str, object] = {"encoder_step_deg": 0.01, "noise_mm": 0.01}
    monkeypatch.setattr(checks, "SMOOTH_ANGLE_NOISE_DEG", np.inf)
    assert shut(against_profile(lobe, **quiet)) == ["profile mismatch"]
    monkeypatch.setattr(checks, "MOST_THROW_DEG", 2.0)
    assert against_profile(lobe, **quiet)["reference_deg"] is not None


def test_knocks_in_both_sweeps_are_not_taken_up_by_a_throw_beyond_the_lash(monkeypatch: Patch) -> None:
    knocked = case("hopeless", 6000819)         # of a thousand the one in which they were
    assert shut(analyse(knocked.data, knocked.spec)) == ["probe knock, throw beyond the lash"]
    monkeypatch.setattr(checks_effects, "of_throws", lambda _: [])
    assert analyse(knocked.data, knocked.spec)["reference_deg"] is not None


def test_knocks_in_both_sweeps_are_not_taken_up_by_angles(monkeypatch: Patch) -> None:
    knocked = case("hopeless", 7000899)         # of a thousand the one in which they were
    assert shut(analyse(knocked.data, knocked.spec)) == ["profile mismatch, probe knock"]
    monkeypatch.setattr(checks, "SMOOTH_ANGLE_NOISE_DEG", np.inf)
    assert analyse(knocked.data, knocked.spec)["reference_deg"] is not None


def test_a_knock_in_the_only_sweep_is_seen_by_what_it_leaves(monkeypatch: Patch) -> None:
    setup = Setup(lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, base_mm=60.0, reach_deg=40.0, senses=(1,),
                  speeds_deg_s=(4.7,), interval_s=0.02, encoder_step_deg=0.0665, noise_mm=0.008, stick_hz=0.5,
                  stick_part=0.8, spikes=0.017, spike_mm=0.5, hum_mm=0.0047, delay_s=0.035, seed=1)

    def found(knock_mm: float) -> Result:
        made = simulate.record(replace(setup, knocks=((0, 0.4, knock_mm),) if knock_mm else ()))
        return analyse(made.csv(), {"datum": PISTON, "tolerance_deg": 0.5})

    assert shut(found(0.0)) == []
    assert shut(found(0.7)) == ["profile mismatch, probe knock"]
    monkeypatch.setattr(checks, "RELATED_PART", 1.0)
    assert found(0.7)["reference_deg"] is not None


def test_the_lobe_itself_is_measured_with_all_that_a_shop_does_to_it() -> None:
    made = against_profile(simulate.harmonic_lobe(14.0, 58.0, 1.6, 0.0, 0.2), noise_mm=0.02, encoder_step_deg=0.25,
                           drift_mm=(0.03, -0.03), delay_s=0.03, ripple=0.3, gain=1.004)
    assert shut(made) == []


@pytest.mark.parametrize(("gain", "wrong"), [(0.94, []), (1.15, ["unit of the lift"]), (0.85, ["unit of the lift"])])
def test_a_tilted_probe_reads_less_and_no_probe_reads_much_more(gain: float, wrong: list[str]) -> None:
    assert shut(against_profile(simulate.harmonic_lobe(14.0, 58.0, 1.6, 0.0, 0.2), gain=gain)) == wrong


def test_a_drift_during_one_pass_over_a_piston_is_budgeted(monkeypatch: Patch) -> None:
    setup = Setup(lift=simulate.piston(130.0, 520.0), crank_per_datum=1.0, base_mm=30.0, low_mm=0.0, reach_deg=70.0,
                  senses=(1,), speeds_deg_s=(5.87,), interval_s=0.023, encoder_step_deg=0.0403, noise_mm=0.001,
                  drift_mm=(0.01,))
    made = simulate.record(setup)

    def over() -> float:
        result = analyse(made.csv(), {"datum": PISTON, "tolerance_deg": 0.5})
        away = float(str(result["reference_deg"])) - made.crest_deg
        return abs(away) / float(str(result["standard_uncertainty_deg"]))

    assert 0.5 < over() < 1.5
    monkeypatch.setattr(nuisances, "DRIFT_PRIOR_UNSEEN", 0.0005)
    assert over() > 3.0


def test_a_drift_out_and_back_within_one_pass_is_fitted(monkeypatch: Patch) -> None:
    setup = replace(DAY, lift=simulate.harmonic_lobe(14.0, 58.0, 1.6, 0.0, 0.2), senses=(1,), lash_deg=0.0, thrown=(),
                    noise_mm=0.003)

    def over() -> float:
        found = []
        for seed in range(8):
            made = simulate.record(replace(setup, drift_mm=(-0.02, 0.0, 0.03), seed=seed))
            result = analyse(made.csv(), {"datum": {"kind": "lobe-profile", "profile": PROFILE}, "crank_per_datum": 2,
                                          "tolerance_deg": 0.5})
            found.append((float(str(result["reference_deg"])) - made.crest_deg)
                         / float(str(result["expanded_uncertainty_deg"])))
        return float(np.mean(np.abs(found)))

    assert over() < 1.0
    monkeypatch.setattr(nuisances, "ONE_WAY_DEGREE", 2)
    assert over() > 1.0
