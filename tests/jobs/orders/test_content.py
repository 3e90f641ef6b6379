"""What sign-offs cover: the digest changes with everything that was done, and with nothing else."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
import rfc8785

from jobs.orders import actions, content
from jobs.orders.models import OrderStep, WorkOrder
from jobs.orders.signals import content_changed
from jobs.people.models import Person
from tests.cast import STEP
from tests.jobs.orders.asking import step_of
from tests.walking import Walk

Change = Callable[[], object]


@pytest.fixture
def mid_way(walked_to_as_left: WorkOrder) -> WorkOrder:
    """An order with the as-left step open and everything before it done."""
    return walked_to_as_left


@pytest.fixture
def changes(
    mid_way: WorkOrder, walk: Walk, technician: Person, technician2: Person, inspector: Person, at: datetime
) -> dict[str, Change]:
    """Each thing that can be done to what sign-offs cover."""
    as_left = step_of(mid_way, "as-left")
    reading = step_of(mid_way, "torque").readings.get(point="bolt 1")
    finding = actions.raise_finding(mid_way, text="first", by=technician, at=at)
    trace = walk.give_trace(as_left)
    return {
        "correcting a reading": lambda: actions.correct_reading(
            reading, entered="92", unit="N·m", reason="slip", by=technician, at=at
        ),
        "acknowledging a caution": lambda: actions.acknowledge_caution(
            step_of(mid_way, "clamp-caution"), by=technician2, at=at
        ),
        "handing in a trace": lambda: walk.give_trace(as_left),
        "analysing a trace": lambda: walk.give_result(as_left, deviation_deg=0.02, trace=trace),
        "adding a photo": lambda: walk.give_photo(step_of(mid_way, "probe-photo"), b"another"),
        "raising a finding": lambda: actions.raise_finding(mid_way, text="second", by=technician, at=at),
        "deciding a finding": lambda: actions.decide_finding(
            finding, decision="accept", reason="fine", by=inspector, at=at
        ),
        "doing a step": lambda: (
            walk.give_result(as_left, deviation_deg=0.02),
            actions.confirm_step(as_left, by=technician, at=at),
        ),
        "opening a step again": lambda: actions.reopen_step(
            step_of(mid_way, "ring-shift"), why="void", by=technician, at=at
        ),
    }


CHANGES = (
    "correcting a reading",
    "acknowledging a caution",
    "handing in a trace",
    "analysing a trace",
    "adding a photo",
    "raising a finding",
    "deciding a finding",
    "doing a step",
    "opening a step again",
)


@pytest.mark.parametrize("name", CHANGES)
def test_the_digest_changes_with(mid_way: WorkOrder, changes: dict[str, Change], name: str) -> None:
    before = content.content_sha256(mid_way)
    changes[name]()
    assert content.content_sha256(mid_way) != before


def test_every_change_of_the_list_is_tried(changes: dict[str, Change]) -> None:
    assert set(changes) == set(CHANGES)


@pytest.mark.usefixtures("walked_through")
def test_the_digest_does_not_change_with_state_plan_or_names(
    in_work: WorkOrder, technician: Person, manager: Person, at: datetime
) -> None:
    before = content.content_sha256(in_work)
    actions.hold_order(in_work, reason="wait", by=manager, at=at)
    actions.resume_order(in_work, by=manager, at=at)
    actions.mark_to_verify(in_work, by=technician, at=at)
    WorkOrder.objects.filter(pk=in_work.pk).update(bay="Bay 9", priority=1, promised_at=at, needed_by=at)
    Person.objects.filter(pk=technician.pk).update(name="Tom Turner-Tate")
    assert content.content_sha256(in_work) == before
    actions.close_order(in_work, by=manager, at=at)
    assert content.content_sha256(in_work) == before


@pytest.mark.usefixtures("walked_to_stroke_hold")
def test_releasing_a_hold_point_does_not_change_what_it_releases(
    in_work: WorkOrder, inspector: Person, at: datetime
) -> None:
    hold = step_of(in_work, "stroke-hold")
    before = content.content_sha256(in_work, up_to=hold)
    actions.complete_hold_point(hold, by=inspector, at=at)
    assert content.content_sha256(in_work, up_to=hold) == before


@pytest.mark.usefixtures("walked_to_barring_caution")
def test_work_after_a_hold_point_leaves_its_content_alone(in_work: WorkOrder, walk: Walk) -> None:
    hold = step_of(in_work, "stroke-hold")
    before = content.content_sha256(in_work, up_to=hold)
    walk(in_work)
    assert content.content_sha256(in_work, up_to=hold) == before
    assert content.content_sha256(in_work, up_to=STEP["stroke-hold"]) == before


@pytest.mark.usefixtures("walked_to_barring_caution")
def test_a_colleague_who_reads_the_cautions_later_leaves_a_hold_point_alone(
    in_work: WorkOrder, technician2: Person, at: datetime
) -> None:
    hold = step_of(in_work, "stroke-hold")
    before = content.content_sha256(in_work, up_to=hold)
    actions.acknowledge_caution(step_of(in_work, "lock-caution"), by=technician2, at=at)
    assert content.content_sha256(in_work, up_to=hold) == before


@pytest.mark.usefixtures("walked_to_barring_caution")
def test_a_correction_before_a_hold_point_changes_its_content(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    hold = step_of(in_work, "stroke-hold")
    before = content.content_sha256(in_work, up_to=hold)
    reading = step_of(in_work, "pre-use-check").readings.get()
    actions.correct_reading(reading, entered="10.001", unit="mm", reason="slip", by=technician, at=at)
    assert content.content_sha256(in_work, up_to=hold) != before


@pytest.mark.usefixtures("walked_to_barring_caution")
def test_a_finding_at_an_earlier_step_changes_a_hold_points_content(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    hold = step_of(in_work, "stroke-hold")
    before = content.content_sha256(in_work, up_to=hold)
    actions.raise_finding(in_work, text="x", step=step_of(in_work, "own-lock"), by=technician, at=at)
    assert content.content_sha256(in_work, up_to=hold) != before


@pytest.mark.usefixtures("walked_through")
def test_it_is_the_same_read_twice_and_survives_json(in_work: WorkOrder) -> None:
    found = content.order_content(in_work)
    assert json.loads(rfc8785.dumps(found)) == found
    assert content.content_sha256(WorkOrder.objects.get(pk=in_work.pk)) == content.content_sha256(in_work)


@pytest.mark.usefixtures("walked_through")
def test_it_holds_the_dates_and_hashes_that_an_auditor_asks_for(in_work: WorkOrder) -> None:
    steps = {step["position"]: step for step in content.order_content(in_work)["steps"]}
    check, as_found = steps[STEP["pre-use-check"]], steps[STEP["as-found"]]
    assert [use["due_on"] for use in check["instruments"]] == ["2066-01-10", "2066-01-10"]
    assert check["readings"][0]["value"] == "10.004"
    assert len(as_found["traces"][0]["sha256"]) == 64
    assert as_found["traces"][0]["analyses"][0]["verdict"] == "nonconforming"
    assert steps[STEP["lock-caution"]]["acknowledgements"][0]["at"] == "2026-03-16T08:20:00.000000Z"


@pytest.mark.usefixtures("walked_through")
def test_the_names_of_all_who_stand_in_it_can_be_had(
    in_work: WorkOrder, technician: Person, planner: Person
) -> None:
    names = content.people_in(content.order_content(in_work))
    assert names[str(technician.pk)] == "Tom Turner"
    assert names[str(planner.pk)] == "Pia Planner"


@pytest.mark.parametrize("name", [name for name in CHANGES if "trace" not in name and "photo" not in name])
def test_a_change_by_an_action_is_announced(changes: dict[str, Change], name: str, technician: Person) -> None:
    heard: list[str] = []

    def listen(sender: object, *, what: str, **_: object) -> None:
        heard.append(what)

    content_changed.connect(listen)
    try:
        changes[name]()
    finally:
        content_changed.disconnect(listen)
    assert heard or name == "opening a step again"  # asked for by the listener itself


@pytest.mark.usefixtures("walked_to_own_lock")
def test_a_reader_of_an_hour_later_sees_another_instant(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    step = step_of(in_work, "own-lock")
    actions.confirm_step(step, by=technician, at=at)
    before = content.content_sha256(in_work)
    OrderStep.objects.filter(pk=step.pk).update(done_at=at + timedelta(hours=1))
    assert content.content_sha256(in_work) != before
