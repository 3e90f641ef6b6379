"""As-left against as-found and the applied correction, worked by hand."""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.engine import correction
from analysis.spec import read_spec
from jobs.orders.agreement import (
    AGREEMENT,
    VERDICT,
    Agreement,
    Measured,
    Shift,
    change_deg,
    compare,
    problems,
)

SPEC = {"index_radius_mm": 250.0, "target_deg": 140.0}
ONE_DEGREE_MM = 250.0 * math.pi / 180


def measured(deviation: float | None, expanded: float = 0.05, **more: Any) -> Measured:
    facts: dict[str, Any] = {
        "verdict": "conforming",
        "reference_deg": None if deviation is None else 140.0 + deviation,
        "deviation_deg": deviation,
        "expanded_uncertainty_deg": expanded,
    }
    return Measured(**{**facts, **more})


def agreement(found: float, left: float, shift_mm: float | None, **more: Any) -> Agreement:
    shifts = None if shift_mm is None else [Shift(shift_mm, 0.0, "mm")]
    made = compare(measured(found), measured(left), shifts=shifts, spec=SPEC, set_left_out=False, **more)
    assert made is not None
    return made


def test_a_ring_that_went_where_it_was_sent_agrees() -> None:
    made = agreement(1.0, 0.02, -0.98 * ONE_DEGREE_MM)
    assert made.expected_deg == pytest.approx(140.02)
    assert made.difference_deg == pytest.approx(0.0, abs=1e-12)
    assert made.holds


def test_the_joint_uncertainty_is_the_root_of_the_sum_of_squares() -> None:
    # √(0.05² + 0.05²) = 0.0707…
    assert agreement(1.0, 0.0, -ONE_DEGREE_MM).joint_expanded_deg == pytest.approx(0.0707107, abs=5e-8)


@pytest.mark.parametrize(
    ("left", "holds"), [(0.0707, True), (0.0708, False), (-0.0707, True), (-0.0708, False)]
)
def test_the_limit_is_the_joint_uncertainty_either_way(left: float, holds: bool) -> None:
    assert agreement(1.0, left, -ONE_DEGREE_MM).holds is holds


def test_a_ring_that_moved_while_it_was_torqued_does_not_agree_though_it_conforms() -> None:
    made = agreement(1.0, 0.2, -ONE_DEGREE_MM)
    assert not made.holds
    ((kind, sentence),) = problems(measured(0.2), hysteresis_limit_deg=0.2, agreement=made)
    assert kind == AGREEMENT
    assert "0.200°" in sentence
    assert "0.071°" in sentence


def test_without_a_reading_the_stated_correction_counts_as_applied() -> None:
    assert agreement(1.0, 0.0, None).expected_deg == pytest.approx(140.0)


def test_a_setting_left_out_moves_nothing() -> None:
    made = compare(measured(0.1), measured(0.11), shifts=None, spec=SPEC, set_left_out=True)
    assert made is not None
    assert made.expected_deg == pytest.approx(140.1)
    assert made.holds


def test_a_ring_shifted_the_wrong_way_does_not_agree() -> None:
    made = agreement(1.0, 2.0, -ONE_DEGREE_MM)
    assert made.difference_deg == pytest.approx(2.0)
    assert not made.holds


@pytest.mark.parametrize("deviation", [0.7, -0.7])
def test_the_correction_that_the_analysis_states_leads_to_the_target(deviation: float) -> None:
    spec = read_spec({**SPEC, "datum": {"kind": "lobe"}, "crank_per_datum": 2, "tolerance_deg": 0.25})
    stated = correction(deviation, spec)
    assert stated.ring_shift_mm is not None
    assert agreement(deviation, 0.0, stated.ring_shift_mm).difference_deg == pytest.approx(0.0, abs=1e-12)


def test_a_geared_ring_turns_by_its_ratio() -> None:
    spec = {**SPEC, "index_per_crank": 0.5}
    by_rim = change_deg(measured(1.0), [Shift(ONE_DEGREE_MM, 0.0, "mm")], spec, set_left_out=False)
    by_angle = change_deg(measured(1.0), [Shift(1.0, 0.0, "deg")], spec, set_left_out=False)
    assert by_rim == pytest.approx(2.0)
    assert by_angle == pytest.approx(2.0)


def test_millimetres_on_a_ring_without_a_radius_have_no_angle() -> None:
    with pytest.raises(ValueError, match="no radius"):
        change_deg(measured(1.0), [Shift(1.0, 0.0, "mm")], {}, set_left_out=False)


def test_a_shift_read_coarsely_is_itself_uncertain() -> None:
    # Whole millimetres: half a digit 0.5 mm = 0.11459° of crank at 250 mm, over √3, k = 2.
    shift = Shift.read(Decimal("-4.000000"), "mm", digits=0)
    made = compare(measured(1.0, 0.0), measured(0.1, 0.0), shifts=[shift], spec=SPEC, set_left_out=False)
    assert made is not None
    assert made.joint_expanded_deg == pytest.approx(0.132319, abs=1e-6)


def test_the_shifts_made_since_as_found_add_up_and_each_is_uncertain_by_its_own_digit() -> None:
    # −1.2 mm too little, then −3.16 mm more: 250 · π/180 = 4.36 mm for the degree that was off.
    shifts = [Shift.read(Decimal("-1.200000"), "mm", digits=1), Shift.read(Decimal("-3.160000"), "mm", digits=2)]
    made = compare(measured(1.0, 0.0), measured(0.0, 0.0), shifts=shifts, spec=SPEC, set_left_out=False)
    assert made is not None
    assert made.expected_deg == pytest.approx(141.0 - math.degrees(4.36 / 250.0))
    # Halves of 0.1 mm and of 0.01 mm at 250 mm over √3, k = 2: 0.0132319° and 0.0013232°, root of squares.
    assert made.joint_expanded_deg == pytest.approx(0.0132979, abs=1e-6)


def test_none_of_the_shifts_made_since_as_found_moves_nothing() -> None:
    made = compare(measured(0.1), measured(0.11), shifts=[], spec=SPEC, set_left_out=False)
    assert made is not None
    assert made.expected_deg == pytest.approx(140.1)


def test_an_angle_that_is_missing_is_the_verdicts_business() -> None:
    assert compare(measured(None), measured(0.0), shifts=None, spec=SPEC, set_left_out=False) is None
    assert compare(measured(0.0), measured(None), shifts=None, spec=SPEC, set_left_out=False) is None


def test_results_either_side_of_the_full_turn_are_neighbours() -> None:
    found = measured(0.0, reference_deg=359.98)
    left = measured(0.0, reference_deg=0.01)
    made = compare(found, left, shifts=None, spec=SPEC, set_left_out=True)
    assert made is not None
    assert made.difference_deg == pytest.approx(0.03)


def test_every_way_of_falling_short_is_told() -> None:
    left = measured(0.2, verdict="undecided", hysteresis_deg=-0.31)
    found = problems(left, hysteresis_limit_deg=0.3, agreement=agreement(1.0, 0.2, -ONE_DEGREE_MM))
    assert [kind for kind, _ in found] == [VERDICT, VERDICT, AGREEMENT]
    assert "0.310°" in found[1][1]


def test_nothing_is_wrong_with_a_good_one() -> None:
    left = measured(0.01, hysteresis_deg=0.3)
    assert problems(left, hysteresis_limit_deg=0.3, agreement=agreement(1.0, 0.01, -ONE_DEGREE_MM)) == ()


@given(
    deviation=st.floats(-20, 20),
    residual=st.floats(-0.2, 0.2),
    turns=st.integers(-3, 3),
    target=st.floats(0, 360),
)
def test_agreement_does_not_depend_on_target_or_turn(
    deviation: float, residual: float, turns: int, target: float
) -> None:
    shift = Shift(-math.radians(deviation) * 250.0, 0.0, "mm")

    def made(target: float, turns: int) -> float:
        found = measured(deviation, reference_deg=target + deviation)
        left = measured(residual, reference_deg=target + residual + 360.0 * turns)
        result = compare(found, left, shifts=[shift], spec=SPEC, set_left_out=False)
        assert result is not None
        return result.number

    assert made(target, turns) == pytest.approx(made(140.0, 0), abs=1e-6)
