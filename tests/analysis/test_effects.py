"""Effects of a real shop, each with and without what the analysis does about it."""

from __future__ import annotations

from dataclasses import replace

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
    checks = result["checks"]
    assert isinstance(checks, list)
    return [check for check in checks if check["name"] == "midline"]


@pytest.fixture
def no_unsteady_drift(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(estimate, "unsteady_drift", lambda *_: [])


@pytest.fixture
def blind_to_a_miss(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(axis, "shift_if_seen", lambda *_: [])
    monkeypatch.setattr(axis, "undecided", lambda *_: axis.Doubt(0.0, 0.0))


SETTLING = replace(SETUP, settling_mm=0.06, settling_s=25.0)
MISSED = replace(SETUP, miss_mm=0.2, pitch_radius_mm=52.0)


def test_a_probe_that_warms_up_at_the_start_is_followed() -> None:
    result, error = analysed(SETTLING)
    assert abs(error) < expanded(result) < 0.004


@pytest.mark.usefixtures("no_unsteady_drift")
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


@pytest.mark.usefixtures("blind_to_a_miss")
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
