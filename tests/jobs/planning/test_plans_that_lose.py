"""Plans in which orders lose their place, or get one: what they are said to cost, and what accepting them takes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from django.test import Client

from jobs.ledger.models import Entry
from jobs.orders.actions import promise_order, request_order, unplace_orders
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.planning import shown
from jobs.planning.actions.plans import ask_plan
from jobs.planning.models import Plan, Planning
from jobs.tooling.models import Instrument
from tests.yard import Yard


def test_a_plan_that_loses_orders_says_what_it_breaks_and_is_accepted_only_when_that_is_said(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], run_errands: Callable[[], int], at: datetime
) -> None:
    plan_now()
    promised = yard.orders["7019"]
    promise_order(promised, promised_at=at + timedelta(days=9), by=yard.planner, at=at)
    Instrument.objects.filter(shop=yard.shop, kind="probe").update(due_on=at.date() - timedelta(days=1))
    desk.post("/plan/ask/", {"why": "", "seconds": "3.0"})
    asked = Planning.objects.latest("pk")
    run_errands()
    (plan, *_) = asked.plans.all()
    assert plan.cost["promises_lost"] == [promised.number]
    assert set(plan.cost["orders_lost"]) == {one.number for one in yard.orders.values()}
    assert plan.cost["operations_lost"] == plan.cost["could_move"] > 0
    lines = dict(shown.compared([shown.alternative(plan)]))
    assert lines["Promises not kept"] == ["1"]
    page = desk.get(f"/plan/asked/{asked.pk}/").content.decode()
    assert f"{len(yard.orders)} orders lose their places" in page
    assert "holds: nothing in it has to move" not in page
    refused = desk.post(f"/plan/alternatives/{plan.pk}/accept/", follow=True)
    assert "would lose their place" in refused.content.decode()
    over_api = desk.post(f"/api/v1/plans/{plan.pk}/accept/", {"note": ""}, content_type="application/json")
    assert over_api.status_code == 409
    assert "would lose their place" in over_api.content.decode()
    plan.refresh_from_db()
    assert plan.version is None
    desk.post(f"/plan/alternatives/{plan.pk}/accept/", {"losing": "on"})
    plan.refresh_from_db()
    assert plan.version == 2
    for one in yard.orders.values():  # nothing goes on saying that it is planned
        one.refresh_from_db()
        assert (one.state, one.bay, one.technician, one.planned_start) == ("requested", "", None, None)
        assert Entry.objects.filter(kind="order.unplanned", sentence__startswith=one.number).count() == 1
    board = desk.get("/plan/").content.decode()
    assert "7019</strong>: promised" in board
    assert "and without a place" in board


def test_work_that_is_released_keeps_who_does_it_and_held_work_is_asked_for_again(
    yard: Yard, technician: Person, at: datetime
) -> None:
    released, held, planned = list(yard.orders.values())[:3]
    for order in (released, held, planned):
        WorkOrder.objects.filter(pk=order.pk).update(state="planned", bay="Bay 1", technician=technician)
    WorkOrder.objects.filter(pk=released.pk).update(state="released")
    WorkOrder.objects.filter(pk=held.pk).update(state="held", held_from="planned", held_reason="no coolant")
    found = unplace_orders([released.pk, held.pk, planned.pk], version=2, by=yard.planner, at=at)
    assert found == 2
    for order in (released, held, planned):
        order.refresh_from_db()
    assert (released.state, released.bay, released.technician) == ("released", "Bay 1", technician)
    assert (held.state, held.held_from, held.bay) == ("held", "requested", "")
    assert (planned.state, planned.bay) == ("requested", "")


def test_a_plan_that_gives_orders_a_place_is_not_the_one_in_force(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], run_errands: Callable[[], int], at: datetime
) -> None:
    plan_now()
    request_order(
        unit=yard.orders["7019"].unit, procedure=yard.orders["7003"].procedure, reason="overhaul", priority=3,
        needed_by=at + timedelta(days=20), by=yard.planner, at=at,
    )  # fmt: skip
    asked = ask_plan(seconds=0.4, by=yard.planner, at=at)
    run_errands()
    assert {one.cost["orders_placed"] for one in asked.plans.all()} == {1}
    assert "holds: nothing in it has to move" not in desk.get(f"/plan/asked/{asked.pk}/").content.decode()
