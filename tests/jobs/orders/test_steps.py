"""Doing steps: their order, cautions, qualifications, and what makes each kind done."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
from django.http import Http404

from jobs.errors import BadInput, WrongPerson
from jobs.orders import actions, queries
from jobs.orders.actions.steps import reopen_steps_left_out
from jobs.orders.models import Analysis, InstrumentUse, OrderStep, WorkOrder
from jobs.people.models import Person, Qualification
from jobs.tooling.models import Instrument
from tests.jobs.orders.asking import refused, step_of
from tests.walking import Walk

PNG = b"\x89PNG\r\n\x1a\n" + b"picture"


# --- Sequence -----------------------------------------------------------------------------------------


def test_steps_are_done_in_their_order(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    last = step_of(in_work, "card-read")
    assert refused(actions.confirm_step, last, by=technician, at=at) == ["earlier-step"]


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_a_step_is_done_once(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    own_lock = step_of(in_work, "own-lock")
    assert (own_lock.done_by, own_lock.done_at) == (technician, at)
    assert refused(actions.confirm_step, own_lock, by=technician, at=at) == ["not-open"]


def test_no_step_is_done_before_work_has_started(released: WorkOrder, technician: Person, at: datetime) -> None:
    caution = step_of(released, "lock-caution")
    assert refused(actions.acknowledge_caution, caution, by=technician, at=at) == ["wrong-state"]


def test_no_step_is_done_while_the_order_is_held(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    actions.hold_order(in_work, reason="crane broken", by=technician, at=at)
    caution = step_of(in_work, "lock-caution")
    assert refused(actions.acknowledge_caution, caution, by=technician, at=at) == ["held"]


@pytest.mark.usefixtures("walked_to_own_lock")
def test_a_confirmation_may_carry_a_note(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    actions.confirm_step(step_of(in_work, "own-lock"), note=" lock 14 ", by=technician, at=at)
    assert step_of(in_work, "own-lock").note == "lock 14"


@pytest.mark.parametrize("name", ["lock-caution", "pre-use-check", "stroke-hold", "torque"])
def test_only_some_kinds_are_done_by_a_word(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime, name: str
) -> None:
    walk(in_work, until=name)
    assert "wrong-kind" in refused(actions.confirm_step, step_of(in_work, name), by=technician, at=at)


# --- Cautions -----------------------------------------------------------------------------------------


@pytest.mark.usefixtures("walked_to_own_lock")
def test_each_person_acknowledges_the_cautions_before_their_work_for_themselves(
    in_work: WorkOrder, technician2: Person, at: datetime
) -> None:
    own_lock = step_of(in_work, "own-lock")
    assert refused(actions.confirm_step, own_lock, by=technician2, at=at) == ["caution"]
    actions.acknowledge_caution(step_of(in_work, "lock-caution"), by=technician2, at=at)
    actions.confirm_step(own_lock, by=technician2, at=at)


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_a_caution_of_another_phase_does_not_stand_in_the_way(
    in_work: WorkOrder, walk: Walk, technician2: Person, at: datetime
) -> None:
    walk.give_photo(step_of(in_work, "probe-photo"))
    actions.confirm_step(step_of(in_work, "probe-photo"), by=technician2, at=at)


@pytest.mark.usefixtures("walked_to_own_lock")
def test_a_caution_is_acknowledged_once_by_each(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    caution = step_of(in_work, "lock-caution")
    assert refused(actions.acknowledge_caution, caution, by=technician, at=at) == ["acknowledged"]


def test_a_caution_is_not_acknowledged_before_it_is_reached(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    later = step_of(in_work, "barring-caution")
    assert refused(actions.acknowledge_caution, later, by=technician, at=at) == ["earlier-step"]


@pytest.mark.usefixtures("walked_to_own_lock")
def test_only_a_caution_is_acknowledged(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    own_lock = step_of(in_work, "own-lock")
    assert refused(actions.acknowledge_caution, own_lock, by=technician, at=at) == ["wrong-kind"]


# --- People -------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("walked_to_own_lock")
def test_an_unqualified_person_does_not_do_the_step(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    held = Qualification.objects.filter(person=technician, skill__code="perform-timing")
    held.update(valid_until=at.date() - timedelta(days=1))
    own_lock = step_of(in_work, "own-lock")
    assert refused(actions.confirm_step, own_lock, by=technician, at=at) == ["not-qualified"]


@pytest.mark.usefixtures("walked_to_as_found")
def test_every_reason_is_told_at_once(in_work: WorkOrder, technician2: Person, at: datetime) -> None:
    Qualification.objects.filter(person=technician2).delete()
    as_found = step_of(in_work, "as-found")
    codes = refused(actions.confirm_step, as_found, by=technician2, at=at)
    assert codes == ["caution", "not-qualified", "no-trace"]


# --- Photos -------------------------------------------------------------------------------------------


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_a_photo_step_needs_a_photo(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    step = step_of(in_work, "probe-photo")
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["no-photo"]
    photo = actions.add_photo(
        step, file=io.BytesIO(PNG), filename="lobe.png", media_type="image/png", by=technician, at=at
    )
    assert photo.size_bytes == len(PNG)
    actions.confirm_step(step, by=technician, at=at)


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_the_same_photo_twice_is_one_photo(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    step = step_of(in_work, "probe-photo")
    for _ in range(2):
        actions.add_photo(step, file=io.BytesIO(PNG), filename="lobe.png", media_type="image/png", by=technician, at=at)
    assert step.photos.count() == 1


@pytest.mark.parametrize(
    ("content", "media_type"), [(b"<svg/>", "image/png"), (PNG, "image/jpeg"), (PNG, "text/html"), (b"", "image/png")]
)
@pytest.mark.usefixtures("walked_to_probe_photo")
def test_what_is_no_picture_is_refused(
    in_work: WorkOrder, technician: Person, at: datetime, content: bytes, media_type: str
) -> None:
    codes = refused(
        actions.add_photo,
        step_of(in_work, "probe-photo"),
        error=BadInput,
        file=io.BytesIO(content),
        filename="x",
        media_type=media_type,
        by=technician,
        at=at,
    )
    assert codes == ["not-a-picture"]


# --- Hold points --------------------------------------------------------------------------------------


@pytest.mark.usefixtures("walked_to_stroke_hold")
def test_a_hold_point_stops_the_work_behind_it(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    behind = step_of(in_work, "barring-caution")
    assert refused(actions.acknowledge_caution, behind, by=technician, at=at) == ["earlier-step"]


def test_a_hold_point_is_not_released_by_somebody_who_worked_before_it(
    in_work: WorkOrder, walk: Walk, hire: Callable[..., Person], inspector: Person, at: datetime
) -> None:
    both = hire(
        in_work.shop,
        "both",
        "Bo Both",
        roles=("technician", "inspector"),
        skills_held=("perform-timing", "verify-timing"),
    )
    walk(in_work, until="probe-photo")
    step = step_of(in_work, "probe-photo")
    walk.give_photo(step)
    actions.confirm_step(step, by=both, at=at)
    hold = step_of(in_work, "stroke-hold")
    assert refused(actions.complete_hold_point, hold, by=both, at=at) == ["own-work"]
    actions.complete_hold_point(hold, by=inspector, at=at)


@pytest.mark.usefixtures("walked_to_stroke_hold")
def test_a_hold_point_waits_for_findings_before_it(
    in_work: WorkOrder, technician: Person, inspector: Person, at: datetime
) -> None:
    actions.raise_finding(in_work, text="lock tag unreadable", step=step_of(in_work, "own-lock"), by=technician, at=at)
    hold = step_of(in_work, "stroke-hold")
    assert refused(actions.complete_hold_point, hold, by=inspector, at=at) == ["undecided-finding"]


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_only_a_hold_point_is_released(in_work: WorkOrder, inspector: Person, at: datetime) -> None:
    photo = step_of(in_work, "probe-photo")
    assert "wrong-kind" in refused(actions.complete_hold_point, photo, by=inspector, at=at)


@pytest.mark.usefixtures("walked_to_stroke_hold")
def test_a_technician_does_not_release_a_hold_point(
    in_work: WorkOrder, technician2: Person, at: datetime
) -> None:
    with pytest.raises(WrongPerson):
        actions.complete_hold_point(step_of(in_work, "stroke-hold"), by=technician2, at=at)


# --- Traces -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("verdict", ["conforming", "nonconforming", "undecided"])
@pytest.mark.usefixtures("walked_to_as_found")
def test_any_verdict_lets_the_as_found_step_be_done(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime, verdict: str
) -> None:
    step = step_of(in_work, "as-found")
    walk.give_result(step, verdict=verdict, deviation_deg=0.2)
    actions.confirm_step(step, by=technician, at=at)


@pytest.mark.usefixtures("walked_to_as_found")
def test_no_result_does_not_let_the_as_found_step_be_done(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "as-found")
    walk.give_result(step, verdict="no-result")
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["no-result"]
    walk.give_result(step, verdict="no-result", outcome="refused")
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["refused"]
    walk.give_trace(step)
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["not-analysed"]


@pytest.mark.usefixtures("walked_to_as_found")
def test_a_trace_made_with_a_probe_that_was_not_checked_before_use_does_not_count(
    in_work: WorkOrder, walk: Walk, calibrated: Callable[..., Instrument], technician: Person, at: datetime
) -> None:
    walk.instruments = {**walk.instruments, "probe": calibrated("PR-09", "probe")}
    step = step_of(in_work, "as-found")
    walk.give_result(step)
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["not-checked"]


@pytest.mark.usefixtures("walked_to_as_left")
def test_a_nonconforming_as_left_result_keeps_its_step_open(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "as-left")
    walk.give_result(step, verdict="nonconforming", deviation_deg=0.02)
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["verdict"]


@pytest.mark.usefixtures("walked_to_as_left")
def test_a_ring_that_moved_while_it_was_torqued_is_caught(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "as-left")
    # Conforming, but 0.18° from where the shift leads; the joint uncertainty is about 0.07°.
    walk.give_result(step, verdict="conforming", deviation_deg=0.2)
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["agreement"]


@pytest.mark.usefixtures("walked_to_as_left")
def test_hysteresis_beyond_the_limit_of_the_engine_type_is_caught(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "as-left")
    walk.give_result(step, deviation_deg=0.02, hysteresis_deg=-0.21)
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["verdict"]


@pytest.mark.usefixtures("walked_to_locks_off")
def test_a_sweep_made_before_the_bolts_were_tightened_again_proves_nothing(
    in_work: WorkOrder, technician: Person, manager: Person, at: datetime
) -> None:
    torque = step_of(in_work, "torque")
    finding = actions.raise_finding(in_work, text="bolt 3 was loose", step=torque, by=technician, at=at)
    later = at + timedelta(hours=1)
    actions.decide_finding(finding, decision="rework", reason="tighten again", by=manager, at=later)
    assert step_of(in_work, "torque").state == step_of(in_work, "as-left").state == OrderStep.State.OPEN
    reading = torque.readings.get(point="bolt 3")
    last = later + timedelta(minutes=5)
    actions.correct_reading(reading, entered="91", unit="N·m", reason="tightened again", by=technician, at=last)
    assert step_of(in_work, "torque").state == OrderStep.State.DONE
    as_left = step_of(in_work, "as-left")
    assert refused(actions.confirm_step, as_left, by=technician, at=last) == ["trace-too-old"]


# --- Steps that are left out --------------------------------------------------------------------------


def test_setting_is_left_out_when_the_as_found_verdict_is_conforming(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    walk.as_found = ("conforming", 0.02)
    walk(in_work, until="clamp-caution")
    for name in ("clamp-caution", "ring-shift", "torque"):
        actions.mark_not_needed(step_of(in_work, name), reason="ring stands right", by=technician, at=at)
    walk(in_work)
    assert queries.current_step(in_work) is None


@pytest.mark.usefixtures("walked_to_clamp_caution")
def test_setting_is_not_left_out_when_the_as_found_verdict_is_not(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "clamp-caution")
    codes = refused(actions.mark_not_needed, step, reason="no time", by=technician, at=at)
    assert codes == ["as-found-not-conforming"]


@pytest.mark.usefixtures("walked_to_own_lock")
def test_most_steps_are_never_left_out(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    step = step_of(in_work, "own-lock")
    assert refused(actions.mark_not_needed, step, reason="no lock", by=technician, at=at) == ["always-needed"]
    assert refused(actions.mark_not_needed, step, error=BadInput, reason=" ", by=technician, at=at) == ["missing"]


def test_a_later_verdict_that_is_not_conforming_brings_the_steps_back(
    in_work: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    walk.as_found = ("conforming", 0.02)
    walk(in_work, until="clamp-caution")
    for name in ("clamp-caution", "ring-shift", "torque"):
        actions.mark_not_needed(step_of(in_work, name), reason="ring stands right", by=technician, at=at)
    walk(in_work)
    trace = step_of(in_work, "as-found").traces.get()
    walk.give_result(trace.step, verdict="nonconforming", deviation_deg=0.5, trace=trace)
    assert "left-out" in refused(actions.mark_to_verify, in_work, by=technician, at=at)
    reopen_steps_left_out(in_work, by=technician, at=at)
    assert step_of(in_work, "torque").state == OrderStep.State.OPEN


# --- Other shops --------------------------------------------------------------------------------------


def test_another_shops_step_is_not_found(in_work: WorkOrder, stranger: Person, at: datetime) -> None:
    with pytest.raises(Http404):
        queries.step_for(stranger, in_work.pk, 1)
    with pytest.raises(Http404):
        actions.acknowledge_caution(step_of(in_work, "lock-caution"), by=stranger, at=at)


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_the_instruments_of_the_pre_use_check_are_on_record_with_their_due_dates(
    in_work: WorkOrder, instruments: dict[str, Instrument]
) -> None:
    uses = InstrumentUse.objects.filter(work_order=in_work).order_by("instrument__asset_number")
    assert [(use.instrument.asset_number, use.due_on) for use in uses] == [
        (name, instruments[kind].due_on) for name, kind in (("CS-02", "check-standard"), ("PR-07", "probe"))
    ]


@pytest.mark.usefixtures("walked_through")
def test_an_analysis_is_never_changed_by_confirming(in_work: WorkOrder) -> None:
    assert Analysis.objects.filter(trace__work_order=in_work).count() == 2
