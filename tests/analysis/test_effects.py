"""Effects of a real shop, each with and without what the analysis does about it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis import analyse, simulate
from analysis.reference import axis, estimate
from analysis.simulate import Setup

SETUP = Setup(lift=simulate.cycloidal_lobe(18.0, 60.0), crank_per_datum=2.0, reach_deg=140.0, encoder_step_deg=0.02,
              noise_mm=0.002, lash_deg=0.05, delay_s=0.004, seed=11)


def analysed(setup: Setup, **spec: object) -> tuple[dict[str, object], float]:
    """The result and the error of its reference, crank degrees."""
    made = simulate.record(setup)
    result = analyse(made.csv(), {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5, **spec})
    reference = result["reference_deg"]
    assert isinstance(reference, float), result["checks"]
    return result, reference - made.crest_deg


def expanded(result: dict[str, object]) -> float:
    return float(str(result["expanded_uncertainty_deg"]))


def midline(result: dict[str, object]) -> list[dict[str, object]]:
    return [check for check in checks_of(result) if check["name"] == "midline"]


def checks_of(result: dict[str, object]) -> list[dict[str, object]]:
    checks = result["checks"]
    assert isinstance(checks, list)
    return checks


@pytest.fixture
def no_unsteady_drift(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(estimate, "unsteady_drift", lambda *_: [])


@pytest.fixture
def blind_to_a_miss(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(axis, "shift_if_seen", lambda *_: [])
    monkeypatch.setattr(axis, "undecided", lambda *_: axis.Doubt(0.0, 0.0))


# sampled so that no slow drift looks like a hum of the mains
SETTLING = replace(SETUP, settling_mm=0.06, settling_s=25.0, interval_s=0.023)
MISSED = replace(SETUP, miss_mm=0.2, pitch_radius_mm=52.0)


def test_a_probe_that_warms_up_at_the_start_is_followed() -> None:
    result, error = analysed(SETTLING)
    assert abs(error) < expanded(result) < 0.004


@pytest.mark.usefixtures("no_unsteady_drift", "no_wandering")
def test_slow_polynomials_alone_do_not_follow_it() -> None:
    result, error = analysed(SETTLING)
    assert abs(error) > 1.5 * expanded(result)


def test_a_miss_of_the_axis_is_corrected_where_the_radius_is_stated() -> None:
    result, error = analysed(MISSED, datum={"kind": "lobe", "pitch_radius_mm": 52.0})
    assert abs(error) < expanded(result) < 0.03
    (said,) = midline(result)
    assert said["passed"]
    assert "0.20 mm" in str(said["message"])


def test_a_miss_of_the_axis_is_seen_and_budgeted_where_it_is_not() -> None:
    result, error = analysed(MISSED)
    assert abs(error) < expanded(result)
    (said,) = midline(result)
    assert "worn lobe" in str(said["message"])


@pytest.mark.usefixtures("blind_to_a_miss", "no_wandering")
def test_without_a_look_at_the_midline_the_crest_would_stand_off_by_far() -> None:
    result, error = analysed(MISSED)
    assert abs(error) > 20.0 * expanded(result)


@pytest.mark.parametrize("seed", range(6))
def test_a_line_through_the_axis_is_not_suspected(seed: int) -> None:
    result, error = analysed(replace(SETUP, seed=seed))
    assert not midline(result)
    assert abs(error) < 1.5 * expanded(result) < 0.004


def test_a_first_order_filter_is_told_from_a_delay() -> None:
    result, error = analysed(replace(SETUP, delay_s=0.0, filter_s=0.03, speeds_deg_s=(7.0, 4.0)))
    assert abs(error) < expanded(result) < 0.01


def test_stick_slip_leaves_the_crest_where_it_is() -> None:
    result, error = analysed(replace(SETUP, stick_hz=0.8, stick_part=0.5, ripple=0.0))
    assert abs(error) < 1.5 * expanded(result) < 0.006


def test_degrees_of_the_camshaft_are_suspected_and_not_corrected() -> None:
    lift = simulate.harmonic_lobe(18.0, 60.0, 1.5)
    table = [[float(a), float(lift(np.array([float(a)]))[0])] for a in range(-80, 81)]
    made = simulate.record(replace(SETUP, lift=lift, encoder_per_crank=0.5))
    spec = {"datum": {"kind": "lobe-profile", "profile": table}, "crank_per_datum": 2, "tolerance_deg": 0.5}
    assert analyse(made.csv(), spec)["reference_deg"] is not None
    result = analyse(replace(made, encoder_per_crank=1.0).csv(), spec)
    assert result["reference_deg"] is None
    (offered,) = [check for check in checks_of(result) if check["name"] == "unit of the angle"]
    assert "encoder_per_crank looks like 0.5 instead of 1" in str(offered["message"])


def test_a_wrong_profile_gets_no_proposal_for_the_angle() -> None:
    lift = simulate.harmonic_lobe(14.0, 44.0, 2.0, 0.0, 0.25)
    table = [[float(a), float(lift(np.array([float(a)]))[0])] for a in range(-80, 81)]
    made = simulate.record(replace(SETUP, lift=simulate.parabolic_lobe(20.0, 66.0, 12.0)))
    spec = {"datum": {"kind": "lobe-profile", "profile": table}, "crank_per_datum": 2, "tolerance_deg": 0.5}
    result = analyse(made.csv(), spec)
    assert result["reference_deg"] is None
    assert "unit of the angle" not in {check["name"] for check in checks_of(result)}


@pytest.mark.parametrize(("factor", "unit"), [(1.0 / 25.4, "inches"), (1000.0, "micrometres"), (1.0, None)])
def test_a_lobe_of_odd_size_is_told_and_its_crest_given(factor: float, unit: str | None) -> None:
    made = simulate.record(SETUP)
    result = analyse(replace(made, lift=made.lift * factor).csv(),
                     {"datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.5})
    assert abs(float(str(result["reference_deg"])) - made.crest_deg) < 0.01
    said = [str(check["message"]) for check in checks_of(result) if check["name"] == "unit of the lift"]
    assert (unit is None and not said) or (unit is not None and unit in said[0])
