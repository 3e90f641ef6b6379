"""Findings: who raises them, who decides, and what a decision does."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import pytest

from jobs.errors import BadInput, WrongPerson
from jobs.orders import actions
from jobs.orders.actions.findings import add_finding
from jobs.orders.models import Finding, OrderStep, WorkOrder
from jobs.orders.queries import locked_order
from jobs.people.models import Person
from tests.jobs.orders.asking import refused, step_of
from tests.walking import Walk


@pytest.fixture
def finding(in_work: WorkOrder, walk: Walk, technician: Person, at: datetime) -> Finding:
    walk(in_work, until="pre-use-check")
    return actions.raise_finding(
        in_work, text="wheel chock cracked", step=step_of(in_work, "own-lock"), by=technician, at=at
    )


def test_findings_are_numbered_within_their_order(
    finding: Finding, in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    second = actions.raise_finding(in_work, text="another", by=technician, at=at)
    assert (finding.number, second.number) == (1, 2)
    assert finding.kind == Finding.Kind.OBSERVATION


def test_an_empty_finding_is_refused(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    assert refused(actions.raise_finding, in_work, error=BadInput, text=" ", by=technician, at=at) == ["missing"]


def test_a_finding_at_a_step_of_another_order_is_refused(
    in_work: WorkOrder, requested: WorkOrder, technician: Person, at: datetime, planner: Person
) -> None:
    other = WorkOrder.objects.get(pk=requested.pk)
    other.pk, other.number, other.state = None, "BY-2026-0099", "requested"
    other.save()
    step = OrderStep.objects.create(work_order=other, definition=in_work.steps.all()[0].definition, position=1)
    codes = refused(actions.raise_finding, in_work, error=BadInput, text="x", step=step, by=technician, at=at)
    assert codes == ["other-order"]


def test_another_person_than_the_raiser_decides(
    in_work: WorkOrder, hire: Callable[..., Person], inspector: Person, at: datetime
) -> None:
    finding = actions.raise_finding(in_work, text="odd noise", by=inspector, at=at)
    decide = {"decision": "accept", "reason": "fan belt", "at": at}
    assert refused(actions.decide_finding, finding, by=inspector, **decide) == ["own-finding"]
    second = hire(in_work.shop, "inspector2", "Ivo Ingram", roles=("inspector",))
    actions.decide_finding(finding, by=second, **decide)
    finding.refresh_from_db()
    assert (finding.decision, finding.decided_by) == ("accept", second)


def test_nobody_decides_about_their_own_work(
    in_work: WorkOrder, walk: Walk, hire: Callable[..., Person], technician: Person, at: datetime
) -> None:
    both = hire(in_work.shop, "both", "Bo Both", roles=("technician", "inspector"), skills_held=("perform-timing",))
    walk(in_work, until="own-lock")
    actions.acknowledge_caution(step_of(in_work, "lock-caution"), by=both, at=at)
    actions.confirm_step(step_of(in_work, "own-lock"), by=both, at=at)
    finding = actions.raise_finding(
        in_work, text="lock not numbered", step=step_of(in_work, "own-lock"), by=technician, at=at
    )
    codes = refused(actions.decide_finding, finding, decision="accept", reason="ok", by=both, at=at)
    assert codes == ["own-work"]


def test_a_finding_is_decided_once(finding: Finding, inspector: Person, at: datetime) -> None:
    actions.decide_finding(finding, decision="accept", reason="replaced", by=inspector, at=at)
    codes = refused(actions.decide_finding, finding, decision="rework", reason="no", by=inspector, at=at)
    assert codes == ["decided"]


@pytest.mark.parametrize(
    ("decision", "reason", "codes"),
    [("accept", " ", ["missing"]), ("cleared", "x", ["decision"]), ("", "", ["decision", "missing"])],
)
def test_a_decision_is_accepted_or_rework_and_has_a_reason(
    finding: Finding, inspector: Person, at: datetime, decision: str, reason: str, codes: list[str]
) -> None:
    found = refused(
        actions.decide_finding, finding, error=BadInput, decision=decision, reason=reason, by=inspector, at=at
    )
    assert found == codes


def test_a_technician_decides_no_finding(finding: Finding, technician2: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson):
        actions.decide_finding(finding, decision="accept", reason="fine", by=technician2, at=at)


def test_rework_opens_the_step_again(
    finding: Finding, in_work: WorkOrder, inspector: Person, technician: Person, at: datetime
) -> None:
    actions.decide_finding(finding, decision="rework", reason="new chock", by=inspector, at=at)
    step = step_of(in_work, "own-lock")
    assert (step.state, step.done_by) == (OrderStep.State.OPEN, None)
    actions.confirm_step(step, by=technician, at=at)


@pytest.mark.usefixtures("walked_to_locks_off")
def test_rework_of_a_trace_asks_for_a_new_one(
    in_work: WorkOrder, walk: Walk, technician: Person, inspector: Person, at: datetime
) -> None:
    step = step_of(in_work, "as-left")
    found = actions.raise_finding(in_work, text="somebody leaned on it", step=step, by=technician, at=at)
    later = at + timedelta(minutes=10)
    actions.decide_finding(found, decision="rework", reason="sweep again", by=inspector, at=later)
    assert refused(actions.confirm_step, step, by=technician, at=later) == ["rework"]
    walk.at = later + timedelta(minutes=1)
    walk.give_result(step, deviation_deg=0.02)
    actions.confirm_step(step, by=technician, at=walk.at)


@pytest.mark.usefixtures("walked_to_as_left")
def test_an_accepted_verdict_finding_lets_an_as_left_step_be_done(
    in_work: WorkOrder, walk: Walk, technician: Person, inspector: Person, at: datetime
) -> None:
    step = step_of(in_work, "as-left")
    trace = walk.give_result(step, verdict="undecided", deviation_deg=0.02).trace
    raised = add_finding(
        locked_order(in_work.pk), kind="verdict", text="undecided", step=step, by=technician, at=trace.uploaded_at
    )
    assert refused(actions.confirm_step, step, by=technician, at=at) == ["verdict"]
    actions.decide_finding(raised, decision="accept", reason="within the maker's limit", by=inspector, at=at)
    actions.confirm_step(step, by=technician, at=at)


@pytest.mark.usefixtures("walked_to_as_left")
def test_accepting_one_trace_does_not_accept_the_next(
    in_work: WorkOrder, walk: Walk, technician: Person, inspector: Person, at: datetime
) -> None:
    step = step_of(in_work, "as-left")
    walk.give_result(step, verdict="undecided", deviation_deg=0.02)
    raised = add_finding(locked_order(in_work.pk), kind="verdict", text="u", step=step, by=technician, at=at)
    actions.decide_finding(raised, decision="accept", reason="close enough", by=inspector, at=at)
    walk.at = at + timedelta(minutes=1)
    walk.give_result(step, verdict="nonconforming", deviation_deg=0.02)
    assert refused(actions.confirm_step, step, by=technician, at=walk.at) == ["verdict"]


# --- Reopening ----------------------------------------------------------------------------------------


@pytest.fixture
def closed(in_work: WorkOrder, walk: Walk, technician: Person, manager: Person, at: datetime) -> WorkOrder:
    walk(in_work)
    actions.mark_to_verify(in_work, by=technician, at=at)
    actions.close_order(in_work, by=manager, at=at)
    in_work.refresh_from_db()
    return in_work


def test_nothing_is_done_to_a_closed_order(
    closed: WorkOrder, walk: Walk, technician: Person, manager: Person, at: datetime
) -> None:
    step = step_of(closed, "card-read")
    assert refused(actions.raise_finding, closed, text="late", by=technician, at=at) == ["closed"]
    assert "wrong-state" in refused(actions.confirm_step, step, by=technician, at=at)
    assert refused(actions.hold_order, closed, reason="x", by=manager, at=at) == ["wrong-state"]
    assert refused(actions.cancel_order, closed, reason="x", by=manager, at=at) == ["wrong-state"]


def test_a_manager_reopens_it_and_a_finding_says_so(closed: WorkOrder, manager: Person, at: datetime) -> None:
    finding = actions.reopen_order(closed, reason="wrong torque table", by=manager, at=at)
    closed.refresh_from_db()
    assert (closed.state, closed.closed_at) == (WorkOrder.State.IN_WORK, None)
    assert (finding.kind, finding.decision) == (Finding.Kind.REOPENED, "")


def test_a_reopened_order_is_not_handed_over_before_the_finding_is_decided(
    closed: WorkOrder, manager: Person, technician: Person, inspector: Person, at: datetime
) -> None:
    finding = actions.reopen_order(closed, reason="wrong torque table", by=manager, at=at)
    assert refused(actions.mark_to_verify, closed, by=technician, at=at) == ["undecided-finding"]
    actions.decide_finding(finding, decision="accept", reason="table was right", by=inspector, at=at)
    actions.mark_to_verify(closed, by=technician, at=at)


def test_only_a_manager_reopens(closed: WorkOrder, inspector: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson):
        actions.reopen_order(closed, reason="x", by=inspector, at=at)


def test_an_open_order_is_not_reopened(in_work: WorkOrder, manager: Person, at: datetime) -> None:
    assert refused(actions.reopen_order, in_work, reason="x", by=manager, at=at) == ["wrong-state"]
