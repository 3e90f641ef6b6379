"""A knock is named with its own sweep, time and size, and no other sweep pays for it."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt
import pytest

from analysis import analyse, simulate
from analysis.reference import estimate, suspects
from analysis.result import Result
from analysis.simulate import Setup

SPEC = {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5}


def knocked(sweeps: int, sweep: int, part: float, size_mm: float, seed: int) -> tuple[simulate.Recording, Result]:
    """A lobe with one knock, and what comes of it."""
    setup = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, interval_s=0.02,
                  speeds_deg_s=(5.0,) * sweeps, senses=tuple(1 if k % 2 == 0 else -1 for k in range(sweeps)),
                  noise_mm=0.003, encoder_step_deg=0.02, lash_deg=0.1, knocks=((sweep, part, size_mm),), seed=seed)
    made = simulate.record(setup)
    return made, analyse(made.csv(), SPEC)


def told(result: Result) -> tuple[int, float, float]:
    """How many sweeps were knocked, by how much (mm) and when (s)."""
    message = next(str(one["message"]) for one in result["checks"] if one["name"] == "probe knock")
    found = re.search(r"knocked in (\d+) of .* steps by ([+-]\d+) µm at ([\d.]+) s", message)
    assert found, message
    return int(found[1]), float(found[2]) / 1e3, float(found[3])


@pytest.mark.parametrize(("sweeps", "sweep", "part", "size_mm", "seed"), [
    (2, 0, 0.235, 0.242, 7), (2, 1, 0.62, 0.404, 2), (2, 0, 0.173, 0.324, 9), (4, 2, 0.27, 0.29, 4),
    (4, 2, 0.54, 0.11, 10), (4, 1, 0.6, -0.3, 0), (6, 2, 0.8, -0.268, 12), (6, 4, 0.3, -0.7, 13),
])
def test_size_and_time_are_those_of_the_knock(sweeps: int, sweep: int, part: float, size_mm: float, seed: int) -> None:
    made, result = knocked(sweeps, sweep, part, size_mm, seed)
    many, size, at = told(result)
    lasts = (made.time_s[-1] - made.time_s[0]) / sweeps
    assert many == 1
    assert size == pytest.approx(size_mm, abs=0.01)
    assert at - made.time_s[0] == pytest.approx(lasts * (sweep + part), abs=0.6)


def test_a_knock_that_looks_like_a_slip_at_the_next_turn_is_named_as_a_knock(monkeypatch: pytest.MonkeyPatch) -> None:
    made, result = knocked(4, 1, 0.6, -0.3, 3)
    assert told(result)[0] == 1
    assert isinstance(result["reference_deg"], float)
    assert isinstance(result["expanded_uncertainty_deg"], float)
    assert abs(result["reference_deg"] - made.crest_deg) <= result["expanded_uncertainty_deg"]
    monkeypatch.setattr(suspects, "_left_out", lambda *_: None)
    _, without = knocked(4, 1, 0.6, -0.3, 3)
    assert without["reference_deg"] is None
    assert any("has slipped" in str(one["message"]) for one in without["checks"] if not one["passed"])


def test_a_sweep_put_aside_for_what_a_knock_in_another_did_to_it_is_taken_back(monkeypatch: pytest.MonkeyPatch) -> None:
    _, result = knocked(2, 0, 0.27, 0.25, 1)
    assert told(result)[0] == 1
    monkeypatch.setattr(estimate, "look_again", lambda *_: None)
    many, size, _ = told(knocked(2, 0, 0.27, 0.25, 1)[1])
    assert many == 2
    assert size < 0.1


@pytest.mark.parametrize("at", [1, 2, 3])
def test_an_encoder_that_slipped_is_still_called_that(at: int) -> None:
    setup = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), reach_deg=140.0, interval_s=0.02, speeds_deg_s=(5.0,) * 4,
                  senses=(1, -1, 1, -1), noise_mm=0.003, encoder_step_deg=0.02, lash_deg=0.1, slips=((at, 0.0, 0.6),),
                  seed=at)
    result = analyse(simulate.record(setup).csv(), SPEC)
    assert result["reference_deg"] is None
    assert any("slipped" in str(one["message"]) for one in result["checks"] if not one["passed"])


def test_a_knock_at_the_crest_of_an_only_sweep_gives_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    # a gentle fit takes it for an angle that errs, and the rest looks like a probe whose line misses the axis
    setup = Setup(lift=simulate.harmonic_lobe(21.7, 60.0, 1.8), senses=(1,), speeds_deg_s=(3.5,), interval_s=0.005,
                  ripple=0.1, ripple_hz=0.58, encoder_per_crank=0.5, encoder_step_deg=0.0147, reach_deg=144.7,
                  noise_mm=0.0011, knocks=((0, 0.5, 0.25),), seed=3)
    made = simulate.record(setup)
    result = analyse(made.csv(), SPEC)
    assert result["reference_deg"] is None
    assert told(result)[0] == 1
    monkeypatch.setattr(estimate, "_clean", lambda *_: True)
    reference = analyse(made.csv(), SPEC)["reference_deg"]
    assert isinstance(reference, float)
    assert abs(reference - made.crest_deg) > 0.3


def test_of_a_step_at_one_place_in_both_senses_it_is_said_what_else_it_may_be() -> None:
    piston = simulate.piston(130.0, 520.0)

    def tilting(angle: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return np.asarray(piston(angle) + 0.02 * np.tanh(angle))

    setup = Setup(lift=tilting, crank_per_datum=1.0, reach_deg=60.0, base_mm=40.0, low_mm=0.0, interval_s=0.01,
                  speeds_deg_s=(5.0,), senses=(1, -1, 1, -1), noise_mm=0.002, encoder_step_deg=0.02, lash_deg=0.1)
    result = analyse(simulate.record(setup).csv(), {
        "datum": {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0}, "crank_per_datum": 1,
        "tolerance_deg": 0.5})
    assert result["reference_deg"] is None
    (said,) = [str(one["message"]) for one in result["checks"] if not one["passed"]]
    assert "at one place, at the crest" in said
    _, knocked_twice = knocked(2, 0, 0.235, 0.242, 7)
    assert not any("at one place" in str(one["message"]) for one in knocked_twice["checks"])
