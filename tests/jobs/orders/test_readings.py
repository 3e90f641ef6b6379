"""Readings: limits, units, instruments, corrections."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from jobs.errors import BadInput, NotAllowed
from jobs.ledger import kinds
from jobs.ledger.models import Entry
from jobs.orders import actions
from jobs.orders.models import Finding, OrderStep, WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Calibration, Instrument
from tests.cast import BOLTS
from tests.jobs.orders.asking import refused, step_of
from tests.walking import Walk

Read = Callable[..., Any]


@pytest.fixture
def torque(walked_to_torque: WorkOrder, torque_wrench: Instrument, technician: Person, at: datetime) -> Read:
    """`torque("bolt 1", "90")` at the torque step, which is the current one."""
    step = step_of(walked_to_torque, "torque")

    def read(point: str, entered: str, **other: Any) -> Any:
        values = {"unit": "N·m", "instrument": torque_wrench, "by": technician, "at": at, **other}
        return actions.record_reading(step, point=point, entered=entered, **values)

    return read


def test_a_torque_step_is_done_when_every_point_is_read(in_work: WorkOrder, torque: Read) -> None:
    for point in BOLTS[:-1]:
        torque(point, "90")
    assert step_of(in_work, "torque").state == OrderStep.State.OPEN
    torque(BOLTS[-1], "90,5")
    assert step_of(in_work, "torque").state == OrderStep.State.DONE


def test_it_keeps_what_was_typed_beside_the_stored_value(torque: Read) -> None:
    reading = torque("bolt 1", "66,4", unit="lbf·ft")
    assert (reading.entered, reading.entered_unit) == ("66,4", "lbf·ft")
    assert (reading.value, reading.unit) == (Decimal("90.026312"), "N·m")
    assert reading.within


@pytest.mark.parametrize(("entered", "within"), [("81", True), ("99", True), ("80.9999", False), ("99.0001", False)])
def test_the_limits_belong_to_what_is_permitted(torque: Read, entered: str, within: bool) -> None:
    assert torque("bolt 1", entered).within is within


def test_a_reading_out_of_limits_raises_a_finding_and_keeps_the_step_open(
    in_work: WorkOrder, torque: Read, technician: Person
) -> None:
    for point in BOLTS[:-1]:
        torque(point, "90")
    reading = torque(BOLTS[-1], "120")
    finding = Finding.objects.get()
    assert (finding.kind, finding.reading, finding.raised_by) == ("reading", reading, technician)
    assert finding.text == "Clamp bolts at bolt 4: 120 N·m is outside 81 to 99 N·m."
    assert step_of(in_work, "torque").state == OrderStep.State.OPEN


def test_accepting_the_finding_lets_the_step_be_done(
    in_work: WorkOrder, torque: Read, inspector: Person, technician: Person, at: datetime
) -> None:
    for point in BOLTS:
        torque(point, "90" if point != "bolt 2" else "120")
    actions.decide_finding(Finding.objects.get(), decision="accept", reason="M14, fits", by=inspector, at=at)
    step = step_of(in_work, "torque")
    assert (step.state, step.done_by) == (OrderStep.State.DONE, technician)


def test_a_torque_typed_in_another_unit_is_asked_about(torque: Read) -> None:
    assert refused(torque, "bolt 1", "66", error=BadInput) == ["unit-suspicion"]
    assert not torque("bolt 1", "66", unit_confirmed=True).within


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_a_check_reading_typed_in_inches_is_asked_about(
    in_work: WorkOrder, instruments: dict[str, Instrument], technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "pre-use-check")
    named = {"instrument": instruments["probe"], "also": [instruments["check-standard"]]}
    with pytest.raises(BadInput, match=r"mm or inch\?"):
        actions.record_reading(step, entered="0.394", unit="mm", by=technician, at=at, **named)
    reading = actions.record_reading(step, entered="0.394", unit="inch", by=technician, at=at, **named)
    assert reading.value == Decimal("10.0076")


@pytest.mark.usefixtures("walked_to_as_found")
def test_a_ring_shift_typed_in_inches_is_asked_about(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    as_found = step_of(in_work, "as-found")
    result = {"verdict": "nonconforming", "correction": {"ring_shift_mm": 4.36, "sense": "advance"}}
    walk.give_result(as_found, verdict="nonconforming", deviation_deg=1.0, result=result)
    actions.confirm_step(as_found, by=technician, at=at)
    actions.acknowledge_caution(step_of(in_work, "clamp-caution"), by=technician, at=at)
    shift = step_of(in_work, "ring-shift")
    codes = refused(actions.record_reading, shift, error=BadInput, entered="0.172", unit="mm", by=technician, at=at)
    assert codes == ["unit-suspicion"]


@pytest.mark.parametrize("point", ["", "bolt 5", "Bolt 1"])
def test_a_point_that_the_procedure_does_not_name_is_refused(torque: Read, point: str) -> None:
    assert refused(torque, point, "90", error=BadInput) == ["unknown-point"]


def test_a_point_is_read_once(torque: Read) -> None:
    torque("bolt 1", "90")
    assert refused(torque, "bolt 1", "91") == ["recorded"]


def test_a_value_that_is_no_number_changes_nothing(in_work: WorkOrder, torque: Read) -> None:
    before = WorkOrder.objects.get(pk=in_work.pk).revision
    assert refused(torque, "bolt 1", "tight", error=BadInput) == ["not-a-number"]
    assert WorkOrder.objects.get(pk=in_work.pk).revision == before


# --- Instruments --------------------------------------------------------------------------------------


def test_the_instrument_must_be_named(torque: Read) -> None:
    assert refused(torque, "bolt 1", "90", error=BadInput, instrument=None) == ["no-instrument"]


def test_an_instrument_of_another_kind_is_refused(torque: Read, encoder: Instrument) -> None:
    codes = refused(torque, "bolt 1", "90", error=BadInput, instrument=encoder)
    assert codes == ["no-instrument", "other-kind"]


def test_an_overdue_instrument_is_refused_with_its_due_date(
    torque: Read, torque_wrench: Instrument, at: datetime
) -> None:
    Calibration.objects.filter(instrument=torque_wrench).update(valid_until=at.date() - timedelta(days=1))
    assert refused(torque, "bolt 1", "90") == ["overdue"]


def test_the_due_date_itself_is_still_in_date(torque: Read, torque_wrench: Instrument, at: datetime) -> None:
    Calibration.objects.filter(instrument=torque_wrench).update(valid_until=at.date())
    torque("bolt 1", "90")


def test_a_withdrawn_instrument_is_refused(torque: Read, torque_wrench: Instrument) -> None:
    Instrument.objects.filter(pk=torque_wrench.pk).update(state="withdrawn", state_reason="dropped")
    assert refused(torque, "bolt 1", "90") == ["withdrawn"]


def test_an_instrument_of_the_wrong_range_is_refused(torque: Read, calibrated: Callable[..., Instrument]) -> None:
    small = calibrated("TW-01", "torque-wrench", range_low=5.0, range_high=25.0, range_unit="N·m")
    assert refused(torque, "bolt 1", "90", instrument=small) == ["instrument-range"]


def test_a_value_that_the_instrument_cannot_show_is_refused_by_name(torque: Read) -> None:
    with pytest.raises(NotAllowed, match="TW-11 measures 20 to 200 N·m; 900 N·m is outside its range"):
        torque("bolt 1", "900")


def test_a_range_in_another_unit_is_converted(torque: Read, calibrated: Callable[..., Instrument]) -> None:
    # 50 to 80 lbf·ft is 67.8 to 108.5 N·m and holds the limits; 65 lbf·ft is 88.1 N·m and does not.
    fits = calibrated("TW-02", "torque-wrench", range_low=50.0, range_high=80.0, range_unit="lbf·ft")
    small = calibrated("TW-03", "torque-wrench", range_low=50.0, range_high=65.0, range_unit="lbf·ft")
    torque("bolt 1", "90", instrument=fits)
    assert refused(torque, "bolt 2", "85", instrument=small) == ["instrument-range"]


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_the_pre_use_check_names_both_probe_and_check_standard(
    in_work: WorkOrder, probe: Instrument, technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "pre-use-check")
    codes = refused(
        actions.record_reading,
        step,
        error=BadInput,
        entered="10",
        unit="mm",
        instrument=probe,
        by=technician,
        at=at,
    )
    assert codes == ["no-instrument"]


def test_an_instrument_of_another_shop_is_refused(
    torque: Read, calibrated: Callable[..., Instrument], stranger: Person
) -> None:
    theirs = calibrated("TW-91", "torque-wrench", shop=stranger.shop)
    assert refused(torque, "bolt 1", "90", instrument=theirs) == ["other-shop"]


# --- Corrections --------------------------------------------------------------------------------------


def test_a_correction_is_a_new_reading_and_the_old_one_stays(torque: Read, technician: Person, at: datetime) -> None:
    old = torque("bolt 1", "90")
    later = at + timedelta(minutes=3)
    new = actions.correct_reading(old, entered="92", unit="N·m", reason="slip", by=technician, at=later)
    old.refresh_from_db()
    assert (old.value, old.superseded_at) == (90, later)
    assert (new.supersedes, new.instrument, new.correction_reason) == (old, old.instrument, "slip")


def test_a_correction_within_limits_clears_the_finding_of_the_old_value(
    in_work: WorkOrder, torque: Read, technician: Person, at: datetime
) -> None:
    for point in BOLTS:
        torque(point, "90" if point != "bolt 2" else "190")
    reading = Finding.objects.get().reading
    assert reading is not None
    actions.correct_reading(reading, entered="90.0", unit="N·m", reason="hundred too many", by=technician, at=at)
    finding = Finding.objects.get()
    assert (finding.decision, finding.decided_by) == ("cleared", None)
    assert step_of(in_work, "torque").state == OrderStep.State.DONE


@pytest.mark.usefixtures("walked_to_as_left")
def test_a_correction_out_of_limits_opens_the_step_again_with_a_new_finding(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    reading = step_of(in_work, "torque").readings.get(point="bolt 1")
    actions.correct_reading(reading, entered="120", unit="N·m", reason="misread", by=technician, at=at)
    assert step_of(in_work, "torque").state == OrderStep.State.OPEN
    assert Finding.objects.get().decision == ""


def test_accepting_an_old_value_does_not_accept_its_correction(
    in_work: WorkOrder, torque: Read, inspector: Person, technician: Person, at: datetime
) -> None:
    for point in BOLTS:
        torque(point, "90" if point != "bolt 2" else "120")
    finding = Finding.objects.get()
    actions.decide_finding(finding, decision="accept", reason="fits", by=inspector, at=at)
    assert finding.reading is not None
    actions.correct_reading(finding.reading, entered="150", unit="N·m", reason="misread", by=technician, at=at)
    assert step_of(in_work, "torque").state == OrderStep.State.OPEN


@pytest.mark.usefixtures("walked_to_locks_off")
def test_a_ring_shift_corrected_after_the_as_left_trace_is_held_against_it(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    reading = step_of(in_work, "ring-shift").readings.get()
    # 2 mm less at a radius of 250 mm is 0.46°, far more than the joint uncertainty of 0.07°.
    actions.correct_reading(reading, entered="2.276", unit="mm", reason="misread", by=technician, at=at)
    finding = Finding.objects.get()
    assert (finding.kind, finding.step, finding.decision) == ("agreement", step_of(in_work, "as-left"), "")


def test_a_reading_is_corrected_once_and_with_a_reason(torque: Read, technician: Person, at: datetime) -> None:
    old = torque("bolt 1", "90")
    common = {"entered": "92", "unit": "N·m", "by": technician, "at": at}
    assert refused(actions.correct_reading, old, error=BadInput, reason="", **common) == ["missing"]
    actions.correct_reading(old, reason="slip", **common)
    assert refused(actions.correct_reading, old, reason="slip", **common) == ["superseded"]


@pytest.mark.usefixtures("walked_through")
def test_a_closed_order_is_not_corrected(
    in_work: WorkOrder, technician: Person, manager: Person, at: datetime
) -> None:
    actions.mark_to_verify(in_work, by=technician, at=at)
    actions.close_order(in_work, by=manager, at=at)
    reading = step_of(in_work, "ring-shift").readings.get()
    codes = refused(actions.correct_reading, reading, entered="4", unit="mm", reason="late", by=technician, at=at)
    assert codes == ["wrong-state"]


def test_a_correction_with_another_instrument_asks_whether_it_may_be_used(
    torque: Read, calibrated: Callable[..., Instrument], technician: Person, at: datetime
) -> None:
    old = torque("bolt 1", "90")
    overdue = calibrated("TW-05", "torque-wrench", valid_until=at.date() - timedelta(days=1))
    codes = refused(
        actions.correct_reading,
        old,
        entered="91",
        unit="N·m",
        reason="read again",
        instrument=overdue,
        by=technician,
        at=at,
    )
    assert codes == ["overdue"]


def test_a_unit_confirmed_against_suspicion_is_an_override_in_the_history(torque: Read, technician: Person) -> None:
    torque("bolt 1", "90", unit_confirmed=True)
    assert not Entry.objects.filter(kind="reading.unit-confirmed").exists()
    torque("bolt 2", "66", unit_confirmed=True)
    entry = Entry.objects.get(kind="reading.unit-confirmed")
    assert kinds.get(entry.kind).group == "override"
    assert entry.sentence.startswith(f"{technician.name} confirmed the unit of 66 N·m at bolt 2")
    assert "lbf·ft is not" in entry.sentence
