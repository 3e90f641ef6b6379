"""What a planner sees on the board after leaving the page where plans are chosen, and what a plan is said to cost."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from django.test import Client

from jobs.people.models import Person
from jobs.planning import shown
from jobs.planning.actions import board as by_hand
from jobs.planning.actions import plans
from jobs.planning.actions.trouble import report_trouble
from jobs.planning.models import Plan
from tests.yard import Yard

HOUR = timedelta(hours=1)


def test_the_board_leads_back_to_plans_that_wait_for_a_choice(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], run_errands: Callable[[], int], at: datetime
) -> None:
    plan_now()
    assert "/plan/asked/" not in desk.get("/plan/").content.decode()
    asked = report_trouble(what="PR-07", starts_at=at + HOUR, hours=96.0, reason="dropped", by=yard.planner, at=at)
    way = f"/plan/asked/{asked.pk}/"
    page = desk.get("/plan/").content.decode()
    assert "Plans are being looked for" in page
    assert way in page
    run_errands()
    page = desk.get("/plan/").content.decode()
    assert "wait for a choice" in page
    assert way in page
    # A fact that changes makes them worthless, and so does the choice itself.
    key = f"{yard.orders['7019'].number}/close"
    by_hand.change_board(key, pin=True, by=yard.planner, at=at)
    assert way not in desk.get("/plan/").content.decode()
    by_hand.undo_change(by=yard.planner, at=at)
    assert way in desk.get("/plan/").content.decode()
    plans.accept_plan(asked.plans.order_by("pk")[0], by=yard.planner, at=at)
    assert way not in desk.get("/plan/").content.decode()


def test_who_does_not_plan_is_not_led_there(
    yard: Yard, desk: Client, login: Callable[[Person], Client], technician: Person, plan_now: Callable[..., Plan],
    at: datetime,
) -> None:  # fmt: skip
    plan_now()
    plans.ask_plan(seconds=0.4, by=yard.planner, at=at)
    page = login(technician).get("/plan/").content.decode()
    assert "/plan/asked/" not in page
    assert "Something went wrong" not in page


def test_the_board_says_above_the_drawing_which_orders_clash(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan = plan_now()
    said = "told at the dashed bars"
    assert said not in desk.get("/plan/").content.decode()
    probes = {one for booking in plan.plan["bookings"].values() for one in booking["resources"] if one[:3] == "PR-"}
    for probe in probes:
        report_trouble(what=probe, starts_at=at, hours=96.0, reason="dropped", by=yard.planner, at=at)
    page = desk.get("/plan/").content.decode()
    above, _, below = page.partition('class="board"')
    assert said in above
    assert "Something went wrong" in above
    assert "clash</strong>" in below or "clashes</strong>" in below


def test_a_plan_that_leaves_orders_out_is_not_said_to_have_all_done(yard: Yard, plan_now: Callable[..., Plan]) -> None:
    plan = plan_now()
    assert "All done by" in dict(shown.compared([shown.alternative(plan)]))
    plan.cost = plan.cost | {"left_out": 2}
    rows = shown.compared([shown.alternative(plan)])
    assert rows[0] == ("Orders left out", ["2"])
    assert "All done by" not in dict(rows)
    assert "All but those left out done by" in dict(rows)


def test_moves_that_only_take_another_instrument_are_counted_apart(
    yard: Yard, plan_now: Callable[..., Plan], run_errands: Callable[[], int], at: datetime
) -> None:
    plan_now()
    asked = plans.ask_plan(seconds=0.4, by=yard.planner, at=at)
    run_errands()
    plan = asked.plans.order_by("pk")[0]
    previous = plan.problem["previous"]
    probed = [key for key, one in previous.items() if "PR-07" in one["resources"]]
    moved = probed[:2]
    assert len(moved) == 2
    plan.plan["bookings"] |= {
        key: plan.plan["bookings"][key]
        | {"start": previous[key]["start"],
           "resources": [{"PR-07": "PR-09"}.get(one, one) for one in previous[key]["resources"]]}
        for key in moved
    }  # fmt: skip
    later = datetime.fromisoformat(previous[moved[1]]["start"]) + HOUR
    plan.plan["bookings"][moved[1]]["start"] = later.isoformat()
    plan.plan["moved"] = [{"operation": key, "changed": ["resources"], "reason": "So."} for key in moved]
    rows = dict(shown.compared([shown.alternative(plan)]))
    assert rows["Of these, only with another instrument"] == ["1"]


def test_a_promise_tells_of_the_orders_that_it_does_not_count_with(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan]
) -> None:
    way = f"/plan/promise/{yard.orders['7019'].pk}/"
    assert "5 other open orders have no place on the board yet" in desk.get(way).content.decode()
    plan_now()
    assert "no place on the board yet" not in desk.get(way).content.decode()
