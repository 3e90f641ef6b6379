"""The ring shifted more than once: each shift is kept, and as-left is held against their sum."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest

from jobs.orders import actions, facts, queries, results, shifts
from jobs.orders.models import Analysis, OrderStep, Reading, WorkOrder
from jobs.people.models import Person
from tests.cast import STEP
from tests.jobs.orders.asking import refused, step_of
from tests.walking import Walk

FIRST_MM, FURTHER_MM = "-1.200", "-3.090"  # 250 · π/180 = 4.363 mm for the degree that is off; 4.290 of it are made


@pytest.fixture
def shifted(in_work: WorkOrder, walk: Walk) -> WorkOrder:
    """As-found 1.000° off, one shift of 1.2 mm, everything tight, as-left reached."""
    walk.ring_shift_mm = FIRST_MM
    step = None
    while (step := queries.current_step(in_work)) is not None and step.position != STEP["ring-shift"]:
        walk.do(step)
    _shift(walk, in_work, FIRST_MM, at=walk.at, unit_confirmed=True)
    return walk(in_work, until="as-left")


def _shift(walk: Walk, order: WorkOrder, entered: str, *, at: datetime, **more: Any) -> Reading:
    named: dict[str, Any] = {"unit": "mm", "by": walk.technician, "at": at}
    return actions.record_reading(step_of(order, "ring-shift"), entered=entered, **{**named, **more})


@pytest.fixture
def rework(walk: Walk, inspector: Person) -> Callable[[WorkOrder], datetime]:
    """`rework(order)`: the inspector has the ring shifted again; when that was decided."""

    def decide(order: WorkOrder) -> datetime:
        later = walk.at + timedelta(minutes=30)
        found = actions.raise_finding(
            order, text="Shifted by a quarter only.", step=step_of(order, "ring-shift"), by=walk.technician, at=later
        )
        actions.decide_finding(found, decision="rework", reason="Shift the rest.", by=inspector, at=later)
        return later

    return decide


def _as_left(walk: Walk, order: WorkOrder, deviation_deg: float, *, at: datetime) -> Analysis:
    step = step_of(order, "as-left")
    trace = walk.give_trace(step)
    trace.uploaded_at = at
    trace.save(update_fields=["uploaded_at"])
    return walk.give_result(step, trace=trace, deviation_deg=deviation_deg)


def test_a_further_shift_is_a_reading_of_its_own_and_the_sum_counts(
    shifted: WorkOrder, walk: Walk, rework: Callable[[WorkOrder], datetime]
) -> None:
    decided = rework(shifted)
    later = decided + timedelta(minutes=10)
    _shift(walk, shifted, FURTHER_MM, at=later, point="shift 2", unit_confirmed=True)
    assert step_of(shifted, "ring-shift").state == OrderStep.State.DONE
    kept = Reading.objects.filter(step=step_of(shifted, "ring-shift"), superseded_at__isnull=True)
    assert list(kept.values_list("point", "entered")) == [("", FIRST_MM), ("shift 2", FURTHER_MM)]
    # 1.000° less (1.200 + 3.090) mm at 250 mm: 1.000 − 0.98319 = 0.01681°.
    left = _as_left(walk, shifted, 0.017, at=later + timedelta(minutes=30))
    agreement = results.agreement_of(left)
    assert agreement is not None
    assert agreement.expected_deg == pytest.approx(140.01681, abs=1e-5)
    assert agreement.holds


def test_the_last_shift_alone_would_not_have_agreed(
    shifted: WorkOrder, walk: Walk, rework: Callable[[WorkOrder], datetime]
) -> None:
    later = rework(shifted) + timedelta(minutes=10)
    _shift(walk, shifted, FURTHER_MM, at=later, point="shift 2", unit_confirmed=True)
    # Where the ring would stand had only the further 3.090 mm been made: 1.000 − 0.70817 = 0.29183° off.
    left = _as_left(walk, shifted, 0.29183, at=later + timedelta(minutes=30))
    agreement = results.agreement_of(left)
    assert agreement is not None
    assert not agreement.holds


def test_a_shift_made_after_an_as_left_trace_does_not_count_for_it(
    shifted: WorkOrder, walk: Walk, rework: Callable[[WorkOrder], datetime]
) -> None:
    # 1.000 − 0.27502 = 0.72498° after the first shift of 1.2 mm.
    left = _as_left(walk, shifted, 0.72498, at=walk.at + timedelta(minutes=20))
    later = rework(shifted) + timedelta(minutes=10)
    _shift(walk, shifted, FURTHER_MM, at=later, point="shift 2", unit_confirmed=True)
    agreement = results.agreement_of(left)
    assert agreement is not None
    assert agreement.difference_deg == pytest.approx(0.0, abs=1e-4)


def test_a_shift_made_before_as_found_was_taken_again_does_not_count(shifted: WorkOrder, walk: Walk) -> None:
    step = step_of(shifted, "as-found")
    trace = walk.give_trace(step)
    trace.uploaded_at = walk.at + timedelta(hours=1)
    trace.save(update_fields=["uploaded_at"])
    walk.give_result(step, trace=trace, verdict="conforming", deviation_deg=0.1)
    agreement = results.agreement_of(_as_left(walk, shifted, 0.11, at=walk.at + timedelta(hours=2)))
    assert agreement is not None
    assert agreement.expected_deg == pytest.approx(140.1)


def test_a_correction_of_a_shift_takes_its_place_and_keeps_its_moment(shifted: WorkOrder, walk: Walk) -> None:
    wrong = shifts.counting(shifted)[0]
    later = walk.at + timedelta(hours=1)
    actions.correct_reading(
        wrong, entered="-4,290", unit="mm", reason="Read on the wrong mark.", by=walk.technician, at=later,
        unit_confirmed=True,
    )  # fmt: skip
    (counts,) = shifts.counting(shifted)
    assert (counts.entered, shifts.made_at(counts)) == ("-4,290", walk.at)
    agreement = results.agreement_of(_as_left(walk, shifted, 0.01681, at=walk.at + timedelta(minutes=30)))
    assert agreement is not None
    assert agreement.holds


def test_no_further_shift_is_taken_before_rework_is_decided(shifted: WorkOrder, walk: Walk) -> None:
    later = walk.at + timedelta(minutes=10)
    codes = refused(
        _shift, walk, shifted, FURTHER_MM, at=later, point="shift 2", unit_confirmed=True, error=Exception
    )
    assert codes == ["unknown-point"]


def test_the_further_shift_is_asked_for_on_the_page(
    shifted: WorkOrder, walk: Walk, rework: Callable[[WorkOrder], datetime], login: Any
) -> None:
    rework(shifted)
    position = STEP["ring-shift"]
    page = login(walk.technician).get(f"/orders/{shifted.pk}/steps/{position}/").text
    assert "Record shift 2" in page
    assert 'name="point" value="shift 2"' in page


def test_the_correction_to_make_is_that_of_as_left_once_the_ring_was_shifted(
    shifted: WorkOrder, walk: Walk, rework: Callable[[WorkOrder], datetime]
) -> None:
    assert results.correction_to_make(shifted) is None
    left = _as_left(walk, shifted, 0.72498, at=walk.at + timedelta(minutes=20))
    assert results.correction_to_make(shifted) == left
    rework(shifted)
    step = step_of(shifted, "ring-shift")
    assert facts.points_of(step, facts.readings_that_count(step)) == ["", "shift 2"]
