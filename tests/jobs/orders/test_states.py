"""The states of a work order: every way between them, and none beside."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import transaction
from django.http import Http404
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from jobs.errors import BadInput, NotAllowed, WrongPerson
from jobs.orders import actions, queries
from jobs.orders.models import Finding, OrderStep, WorkOrder
from jobs.people.models import Person
from tests.examples import examples
from tests.jobs.orders.asking import refused, step_of
from tests.walking import Walk

State = WorkOrder.State
WAYS = {
    (State.REQUESTED, State.PLANNED),
    (State.PLANNED, State.RELEASED),
    (State.RELEASED, State.IN_WORK),
    (State.IN_WORK, State.TO_VERIFY),
    (State.TO_VERIFY, State.IN_WORK),
    (State.TO_VERIFY, State.CLOSED),
    (State.CLOSED, State.IN_WORK),
    *((before, State.CANCELLED) for before in (State.REQUESTED, State.PLANNED, State.RELEASED, State.HELD)),
    *((state, State.HELD) for state in State if state not in {State.HELD, State.CLOSED, State.CANCELLED}),
    *((State.HELD, state) for state in State if state not in {State.HELD, State.CLOSED, State.CANCELLED}),
}
ACTS = ("plan", "release", "start", "step", "finding", "decide", "hand-over", "back", "close", "hold", "resume",
        "cancel", "reopen")  # fmt: skip


@pytest.mark.parametrize("state_fixture", ["requested", "planned", "released", "in_work"])
def test_a_held_order_goes_on_where_it_was_held(
    request: pytest.FixtureRequest, state_fixture: str, manager: Person, at: datetime
) -> None:
    order = request.getfixturevalue(state_fixture)
    before = order.state
    actions.hold_order(order, reason="crane broken", by=manager, at=at)
    order.refresh_from_db()
    assert (order.state, order.held_from, order.held_reason) == (State.HELD, before, "crane broken")
    actions.resume_order(order, by=manager, at=at)
    order.refresh_from_db()
    assert (order.state, order.held_from, order.held_reason) == (before, "", "")


def test_holding_and_cancelling_need_a_reason(requested: WorkOrder, manager: Person, at: datetime) -> None:
    for act in (actions.hold_order, actions.cancel_order):
        assert refused(act, requested, error=BadInput, reason="  ", by=manager, at=at) == ["missing"]


def test_work_that_has_started_is_not_cancelled(in_work: WorkOrder, manager: Person, at: datetime) -> None:
    assert refused(actions.cancel_order, in_work, reason="x", by=manager, at=at) == ["work-started"]
    actions.hold_order(in_work, reason="x", by=manager, at=at)
    assert refused(actions.cancel_order, in_work, reason="x", by=manager, at=at) == ["work-started"]


def test_a_cancelled_order_stays_cancelled(requested: WorkOrder, manager: Person, at: datetime) -> None:
    actions.cancel_order(requested, reason="sold", by=manager, at=at)
    for act in (actions.hold_order, actions.cancel_order):
        assert refused(act, requested, reason="x", by=manager, at=at) == ["wrong-state"]


@pytest.mark.usefixtures("walked_to_locks_off")
def test_an_order_is_not_handed_over_with_open_steps_and_undecided_findings(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    actions.raise_finding(in_work, text="oil leak", by=technician, at=at)
    codes = refused(actions.mark_to_verify, in_work, by=technician, at=at)
    assert codes == ["open-steps", "undecided-finding"]


@pytest.mark.usefixtures("walked_to_locks_off")
def test_a_job_is_not_handed_over_with_its_locks_still_on(
    in_work: WorkOrder, technician: Person, at: datetime
) -> None:
    with pytest.raises(NotAllowed, match="Locks removed by their owners"):
        actions.mark_to_verify(in_work, by=technician, at=at)


@pytest.mark.usefixtures("walked_through")
def test_an_order_held_while_to_verify_goes_back_in_work_below_its_hold(
    in_work: WorkOrder, technician: Person, manager: Person, at: datetime
) -> None:
    actions.mark_to_verify(in_work, by=technician, at=at)
    actions.hold_order(in_work, reason="no inspector", by=manager, at=at)
    actions.back_in_work(in_work, why="a reading was corrected", by=technician, at=at)
    in_work.refresh_from_db()
    assert (in_work.state, in_work.held_from) == (State.HELD, State.IN_WORK)


def test_every_change_counts_up_the_revision(in_work: WorkOrder, walk: Walk) -> None:
    seen = [in_work.revision]
    while (step := queries.current_step(in_work)) is not None:
        walk.do(step)
        seen.append(WorkOrder.objects.get(pk=in_work.pk).revision)
    assert seen == sorted(set(seen))


def test_a_refusal_changes_nothing(in_work: WorkOrder, technician: Person, at: datetime) -> None:
    before = WorkOrder.objects.filter(pk=in_work.pk).values().get()
    refused(actions.mark_to_verify, in_work, by=technician, at=at)
    assert WorkOrder.objects.filter(pk=in_work.pk).values().get() == before


# --- Any sequence of acts -----------------------------------------------------------------------------


def _acts(order: WorkOrder, walk: Walk, who: dict[str, Person], at: datetime) -> dict[str, Callable[[], Any]]:
    """One attempt at each act, by the person whose act it is."""

    def step() -> None:
        found = queries.current_step(order)
        if found is None:
            raise NotAllowed([])
        walk.do(found)

    def decide() -> None:
        found = Finding.objects.filter(work_order=order, decision="").first()
        if found is None:
            raise NotAllowed([])
        actions.decide_finding(found, decision="accept", reason="fine", by=who["inspector"], at=at)

    def plan() -> None:
        actions.plan_order(
            order,
            bay="Bay 1",
            planned_start=at,
            planned_end=at + timedelta(hours=8),
            technician=who["technician"],
            inspector=who["inspector"],
            by=who["planner"],
            at=at,
        )

    technician, manager, planner = who["technician"], who["manager"], who["planner"]
    return {
        "plan": plan,
        "release": lambda: actions.release_order(order, by=planner, at=at),
        "start": lambda: actions.start_order(order, by=technician, at=at),
        "step": step,
        "finding": lambda: actions.raise_finding(order, text="odd", by=technician, at=at),
        "decide": decide,
        "hand-over": lambda: actions.mark_to_verify(order, by=technician, at=at),
        "back": lambda: actions.back_in_work(order, why="changed", by=technician, at=at),
        "close": lambda: actions.close_order(order, by=manager, at=at),
        "hold": lambda: actions.hold_order(order, reason="wait", by=manager, at=at),
        "resume": lambda: actions.resume_order(order, by=manager, at=at),
        "cancel": lambda: actions.cancel_order(order, reason="no", by=manager, at=at),
        "reopen": lambda: actions.reopen_order(order, reason="look again", by=manager, at=at),
    }


def _look(order: WorkOrder) -> None:
    """What must hold of an order in whatever state it is."""
    steps = list(order.steps.order_by("position"))
    if order.state in {State.REQUESTED, State.PLANNED}:
        assert not steps
        assert order.procedure_revision is None
    if order.open_state in {State.TO_VERIFY, State.CLOSED}:
        assert all(step.state != OrderStep.State.OPEN for step in steps)
    if order.state == State.CLOSED:
        assert not order.findings.filter(decision="").exists()
    assert (order.closed_at is not None) == (order.state == State.CLOSED)
    done = [step.state != OrderStep.State.OPEN for step in steps]
    assert done == sorted(done, reverse=True), "a later step is done before an earlier one"


# Weighted towards the way forward, or no sequence would come far; forty acts may reach a closed order.
_FORWARD = ("plan", "release", "start", "finish", "hand-over", "close", "decide")


@settings(max_examples=examples(30), suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.one_of(st.sampled_from(_FORWARD), st.sampled_from(ACTS)), min_size=10, max_size=40))
def test_no_sequence_of_acts_reaches_a_state_by_a_forbidden_way(
    requested: WorkOrder,
    walk: Walk,
    planner: Person,
    technician: Person,
    inspector: Person,
    manager: Person,
    at: datetime,
    sequence: list[str],
) -> None:
    who = {"planner": planner, "technician": technician, "inspector": inspector, "manager": manager}
    with transaction.atomic():  # each sequence starts from the same order
        acts = _acts(requested, walk, who, at)
        acts["finish"] = lambda: walk(requested)
        for name in sequence:
            before = WorkOrder.objects.get(pk=requested.pk).state
            try:
                with transaction.atomic():
                    acts[name]()
            except NotAllowed:
                pass
            order = queries.locked_order(requested.pk)
            assert order.state == before or (State(before), State(order.state)) in WAYS, f"{before} by {name}"
            _look(order)
        transaction.set_rollback(True)


# --- Who may ------------------------------------------------------------------------------------------

ALLOWED = {
    "plan": {"planner"},
    "release": {"planner"},
    "start": {"technician"},
    "hold": {"planner", "technician", "inspector", "manager"},
    "cancel": {"planner", "manager"},
    "caution": {"technician", "inspector"},
    "finding": {"technician", "inspector", "manager"},
}


@pytest.mark.parametrize("name", sorted(ALLOWED))
@pytest.mark.parametrize("role", ["planner", "technician", "inspector", "keeper", "auditor", "manager", "admin"])
def test_each_act_is_for_its_roles_only(
    request: pytest.FixtureRequest, in_work: WorkOrder, walk: Walk, at: datetime, name: str, role: str
) -> None:
    person: Person = request.getfixturevalue(role)
    technician, inspector = in_work.technician, in_work.inspector
    acts: dict[str, Callable[[], Any]] = {
        "plan": lambda: actions.plan_order(
            in_work, bay="b", planned_start=at, planned_end=at, technician=technician, inspector=inspector,
            by=person, at=at,
        ),
        "release": lambda: actions.release_order(in_work, by=person, at=at),
        "start": lambda: actions.start_order(in_work, by=person, at=at),
        "hold": lambda: actions.hold_order(in_work, reason="r", by=person, at=at),
        "cancel": lambda: actions.cancel_order(in_work, reason="r", by=person, at=at),
        "caution": lambda: actions.acknowledge_caution(step_of(in_work, "lock-caution"), by=person, at=at),
        "finding": lambda: actions.raise_finding(in_work, text="t", by=person, at=at),
    }  # fmt: skip
    wrong_person = False
    try:
        acts[name]()
    except WrongPerson:
        wrong_person = True
    except NotAllowed:
        pass  # the right person at the wrong moment
    assert wrong_person is (role not in ALLOWED[name])


def test_another_shops_order_is_not_found_by_any_action(in_work: WorkOrder, stranger: Person, at: datetime) -> None:
    for act in (
        lambda: actions.start_order(in_work, by=stranger, at=at),
        lambda: actions.hold_order(in_work, reason="r", by=stranger, at=at),
        lambda: actions.raise_finding(in_work, text="t", by=stranger, at=at),
        lambda: queries.order_for(stranger, in_work.pk),
        lambda: queries.step_for(stranger, in_work.pk, 1),
    ):
        with pytest.raises(Http404):
            act()
    assert not queries.orders_for(stranger).exists()
