"""The pages of the plan through the client: board, moves, asking, alternatives, versions, promise, minutes."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.template.loader import render_to_string
from django.test import Client
from django.urls import reverse

from jobs.ledger.models import Entry
from jobs.orders.actions import request_order
from jobs.people.models import Person
from jobs.planning import boarddata
from jobs.planning.actions.estimates import set_crane
from jobs.planning.actions.places import add_place
from jobs.planning.actions.plans import stated_now
from jobs.planning.left_out import clashes, left_out
from jobs.planning.models import Change, CraneUse, Place, Plan, Planning, Watcher
from jobs.planning.problem import changed, place_id
from jobs.tooling.models import Instrument
from tests.yard import Yard


def move(client: Client, name: str, **fields: Any) -> Any:
    return client.post(reverse(name), {key: value for key, value in fields.items() if value is not None})


def test_an_empty_shop_is_told_the_first_step(
    planner: Person, technician: Person, login: Callable[[Person], Client]
) -> None:
    page = login(planner).get("/plan/").content.decode()
    assert "There is no open work order to plan." in page
    assert "There is no open work order to plan." in login(technician).get("/plan/").content.decode()


def test_without_a_plan_the_board_asks_for_the_first(
    desk: Client, technician: Person, login: Callable[[Person], Client]
) -> None:
    assert "Ask for the first plan" in desk.get("/plan/").content.decode()
    page = login(technician).get("/plan/").content.decode()
    assert "No plan is in force yet." in page
    assert "Ask for the first plan" not in page


def test_asking_watching_choosing_and_accepting(
    desk: Client, run_errands: Callable[[], int], yard: Yard
) -> None:
    answer = desk.post("/plan/ask/", {"why": "Monday", "seconds": "3.0"})
    asked = Planning.objects.get()
    assert answer.url == f"/plan/asked/{asked.pk}/"  # type: ignore[attr-defined]
    page = desk.get(answer.url).content.decode()  # type: ignore[attr-defined]
    assert "Plans are being looked for" in page
    assert "queued" in page
    Planning.objects.update(seconds=0.2)
    run_errands()
    page = desk.get(answer.url).content.decode()  # type: ignore[attr-defined]
    heading = "Shall this plan" if asked.plans.count() == 1 else "Which of these plans shall"
    assert f"{heading} be in force?" in page
    assert ("Every way of looking came to the same plan" in page) is (asked.plans.count() == 1)
    assert "Hours later than needed, all orders together" in page
    assert "Monday. Asked" in page
    plan, *others = asked.plans.all()
    waiting = desk.get(f"/plan/versions/{plan.pk}/").content.decode()
    assert "a plan that waits for a choice" in waiting
    assert f'/plan/asked/{asked.pk}/#plan-{plan.pk}">Back to the plans to choose from' in waiting
    assert f"Accept: {plan.title.lower()}" in page
    assert desk.post(f"/plan/alternatives/{plan.pk}/accept/").url == "/plan/"  # type: ignore[attr-defined]
    page = desk.get("/plan/").content.decode()
    assert "Plan 1 is in force since" in page
    for name in yard.orders:
        assert name in page
    again = desk.post(f"/plan/alternatives/{plan.pk}/accept/")
    assert again.status_code == 409
    assert "accepted as version 1 already" in again.content.decode()
    listed = desk.get("/plan/versions/").content.decode()
    assert "Plan 1" in listed
    whole = desk.get(f"/plan/versions/{plan.pk}/").content.decode()
    assert "Plan 1: what stood where" in whole
    for other in others:
        assert "an alternative that was not accepted" in desk.get(f"/plan/versions/{other.pk}/").content.decode()
    assert "make safe" in whole


def test_the_board_says_what_a_move_does_before_and_after_it_is_made(
    desk: Client, plan_now: Callable[..., Plan], yard: Yard
) -> None:
    plan = plan_now()
    key = f"{yard.orders['7019'].number}/close"
    start = boarddata.minutes(plan.plan["bookings"][key]["start"])
    drawn = desk.get("/plan/board.json").json()
    assert drawn["version"] == 1
    bar = next(one for one in drawn["bars"] if one["id"] == key)
    assert bar["start"] == start
    assert bar["clashes"] == []
    tried = move(desk, "plan-board-try", operation=key, start=start + 60)
    assert tried.status_code == 200
    assert any("later than before" in one for one in tried.json()["notes"])
    assert Change.objects.count() == 0
    night = move(desk, "plan-board-try", operation=key, start=boarddata.minutes("2026-03-22T03:00:00Z"))
    assert any("is not there" in one for one in night.json()["clashes"])
    made = move(desk, "plan-board-change", operation=key, start=start + 60, seen=json.dumps(bar["seen"]))
    assert made.json()["bookings"][key]["start"] == start + 60
    stale = move(desk, "plan-board-change", operation=key, start=start, seen=json.dumps(bar["seen"]))
    assert stale.status_code == 409
    assert "Somebody has moved" in stale.json()["reasons"][0]
    assert "1 move by hand" in desk.get("/plan/").content.decode()
    assert desk.post("/plan/board/undo/", headers={"accept": "application/json"}).json()["undone"] == key
    none = desk.post("/plan/board/undo/", headers={"accept": "application/json"})
    assert none.status_code == 409


@pytest.mark.parametrize(
    ("fields", "status"),
    [({}, 422), ({"operation": "BY-1/nothing"}, 409), ({"operation": "x", "start": "soon"}, 422),
     ({"operation": "x", "start": 10**18}, 422), ({"operation": "x", "seen": "{"}, 422)],
)  # fmt: skip
def test_moves_that_cannot_be_read_are_refused_in_words(
    desk: Client, plan_now: Callable[..., Plan], fields: dict[str, Any], status: int
) -> None:
    plan_now()
    for name in ("plan-board-try", "plan-board-change"):
        answer = move(desk, name, **fields)
        assert answer.status_code == status
        assert answer.json()["reasons"]


def test_others_at_the_board_are_seen_and_what_they_hold(
    desk: Client, plan_now: Callable[..., Plan], yard: Yard, hire: Callable[..., Person],
    login: Callable[[Person], Client], technician: Person, at: datetime,
) -> None:  # fmt: skip
    plan_now()
    second = login(hire(yard.shop, "planner2", "Paul Planner", roles=("planner",)))
    mark = desk.get("/plan/board.json").json()["mark"]
    assert desk.get("/plan/board.json", {"mark": mark}).status_code == 204
    second.get("/plan/board.json", {"holding": "BY-2026-0001/set"})
    told = desk.get("/plan/board.json", {"mark": mark}).json()
    assert told == {"watching": [{"name": "Paul Planner", "holding": "BY-2026-0001/set"}]}
    login(technician).get("/plan/board.json")
    assert Watcher.objects.count() == 2  # who only reads is not announced
    Watcher.objects.update(at=at - timedelta(minutes=1))
    assert desk.get("/plan/board.json", {"mark": mark}).status_code == 204


def test_a_move_by_a_plain_form_and_the_acceptance_of_the_board(
    desk: Client, plan_now: Callable[..., Plan], yard: Yard
) -> None:
    plan = plan_now()
    order = yard.orders["7019"]
    booking = plan.plan["bookings"][f"{order.number}/close"]
    address = f"/plan/board/move/{order.number}/close/"
    page = desk.get(address)
    assert page.status_code == 200
    start = datetime.fromisoformat(booking["start"]) + timedelta(days=1)
    fields = {"start": f"{start:%Y-%m-%dT%H:%M}", "minutes": "10", "push": "on"}
    fields |= {f"resource_{number}": one for number, one in enumerate(booking["resources"])}
    looked = desk.post(address, {**fields, "look": "yes"}).content.decode()
    assert "24 h later than before" in looked
    assert Change.objects.count() == 0
    assert desk.post(address, fields).url == "/plan/"  # type: ignore[attr-defined]
    page_of_board = desk.get("/plan/board/accept/").content.decode()
    assert "Close of 7019" in page_of_board
    assert desk.post("/plan/board/accept/", {"note": "x"}).url == "/plan/"  # type: ignore[attr-defined]
    assert Plan.objects.filter(version=2).get().title == "Moved by hand"
    assert desk.get("/plan/board/move/BY-1/nothing/").status_code == 404


def test_a_board_with_a_clash_is_not_accepted_and_says_every_sentence(
    desk: Client, plan_now: Callable[..., Plan], yard: Yard
) -> None:
    plan_now()
    key = f"{yard.orders['7019'].number}/close"
    move(desk, "plan-board-change", operation=key, start=boarddata.minutes("2026-03-22T03:00:00Z"))
    answer = desk.post("/plan/board/accept/", {"note": ""})
    assert answer.status_code == 409
    assert "7019" in answer.content.decode()


def test_trouble_leads_to_alternatives(
    desk: Client, plan_now: Callable[..., Plan], run_errands: Callable[[], int], at: datetime
) -> None:
    plan_now()
    page = desk.get("/plan/trouble/").content.decode()
    assert "A person is not there" in page
    answer = desk.post(
        "/plan/trouble/", {"what": "PR-07", "starts_at": f"{at:%Y-%m-%dT%H:%M}", "hours": "30", "reason": "dropped"}
    )
    asked = Planning.objects.latest("pk")
    assert answer.url == f"/plan/asked/{asked.pk}/"  # type: ignore[attr-defined]
    assert asked.why == "PR-07 not there from Mon 2026-03-16 08:20 to Tue 2026-03-17 14:20: dropped."
    Planning.objects.filter(pk=asked.pk).update(seconds=0.3)
    run_errands()
    page = desk.get(answer.url).content.decode()  # type: ignore[attr-defined]
    assert "Operations moved" in page
    assert "PR-07 not there from" in page
    missing = desk.post("/plan/trouble/", {"what": "", "starts_at": "", "hours": ""})
    assert missing.status_code == 422


def test_a_promise_from_the_page(
    desk: Client, plan_now: Callable[..., Plan], yard: Yard, technician: Person, login: Callable[[Person], Client]
) -> None:
    plan_now()
    order = yard.orders["4107"]
    page = desk.get(f"/plan/promise/{order.pk}/").content.decode()
    assert "where the board has it." in page
    answer = desk.post(f"/plan/promise/{order.pk}/", {"promised_at": "2026-03-20T14:00"})
    assert answer.status_code == 302
    order.refresh_from_db()
    assert order.promised_at is not None
    assert "14:00" in desk.get(f"/orders/{order.pk}/").content.decode()
    assert login(technician).get(f"/plan/promise/{order.pk}/").status_code == 403


def test_the_work_order_tells_where_it_stands_in_the_plan(
    desk: Client, plan_now: Callable[..., Plan], yard: Yard
) -> None:
    order = yard.orders["7003"]
    assert "No plan of the shop is in force." in desk.get(f"/orders/{order.pk}/").content.decode()
    plan_now()
    page = desk.get(f"/orders/{order.pk}/").content.decode()
    assert "The board has it ready by" in page


def test_planned_minutes_are_kept_from_the_page(desk: Client, yard: Yard) -> None:
    page = desk.get("/plan/minutes/").content.decode()
    assert "too few orders: 0" in page
    fields = {"procedure": "re-time", "operation": "set", "minutes": "95"}
    assert desk.post("/plan/minutes/", fields).status_code == 302
    assert 'value="95"' in desk.get("/plan/minutes/").content.decode()
    assert desk.post("/plan/minutes/", {**fields, "minutes": "1e9"}).status_code == 422
    assert desk.post("/plan/minutes/", {**fields, "procedure": "nothing"}).status_code == 404


@pytest.mark.parametrize(
    ("typed", "reason"),
    [("1e9", "whole number"), ("-5", "0"), ("999999", "no length"), ("0", "no length for an operation: 1 to")],
)
def test_minutes_that_are_not_accepted_name_their_operation_and_stay(
    desk: Client, yard: Yard, typed: str, reason: str
) -> None:
    procedure = yard.orders["7003"].procedure
    answer = desk.post("/plan/minutes/", {"procedure": "re-time", "operation": "set", "minutes": typed})
    assert answer.status_code == 422
    page = answer.content.decode()
    head = page.split('role="alert"')[1].split("</div>")[0]
    assert f'href="#minutes-{procedure.pk}-set"' in head
    assert f"Set of “{procedure.title}”" in head
    assert reason in head
    row = page.split(f'id="minutes-{procedure.pk}-set"')[1].split("</td>")[0]
    assert f'value="{typed}"' in row
    assert "Not accepted" in row
    other = page.split(f'id="minutes-{procedure.pk}-restore"')[1].split("</td>")[0]
    assert "Not accepted" not in other


def test_an_operation_is_planned_with_the_crane_from_the_page(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    fields = {"procedure": "re-time", "operation": "restore", "crane": "true"}
    refused = desk.post("/plan/minutes/", fields)
    assert refused.status_code == 422
    assert "this shop has none" in refused.content.decode()
    add_place(shop=yard.shop, kind="crane", name="Crane 1", by=yard.planner, at=at)
    assert desk.post("/plan/minutes/", fields).status_code == 302
    assert "needed" in desk.get("/plan/minutes/").content.decode()
    entry = Entry.objects.filter(kind="crane-use.changed").get()
    assert entry.sentence == "Restore of “Re-time the engine” is planned with the crane."
    assert desk.post("/plan/minutes/", fields).status_code == 302  # the same again is no second entry
    assert Entry.objects.filter(kind="crane-use.changed").count() == 1
    plan = plan_now()
    crane = place_id(Place.objects.get(kind=Place.Kind.CRANE).pk)
    lifted = {key: one for key, one in plan.plan["bookings"].items() if crane in one["resources"]}
    assert {key.rpartition("/")[2] for key in lifted} == {"restore"}
    assert len(lifted) == len(yard.orders)
    spans = sorted((one["start"], one["end"]) for one in lifted.values())
    assert all(end <= start for (_, end), (start, _) in pairwise(spans))
    assert desk.post("/plan/minutes/", {**fields, "crane": "false"}).status_code == 302
    assert CraneUse.objects.count() == 0


def test_a_crane_entered_after_a_plan_was_asked_for_is_a_fact_that_has_changed(
    desk: Client, yard: Yard, at: datetime
) -> None:
    add_place(shop=yard.shop, kind="crane", name="Crane 1", by=yard.planner, at=at)
    before = stated_now(yard.shop, at=at)[1].marks
    set_crane(yard.orders["7003"].procedure, operation="set", crane=True, by=yard.planner, at=at)
    assert len(changed(before, stated_now(yard.shop, at=at)[1].marks)) == len(yard.orders)


def test_another_shop_sees_nothing_of_it(
    plan_now: Callable[..., Plan], stranger: Person, login: Callable[[Person], Client]
) -> None:
    plan = plan_now()
    other = login(stranger)
    assert other.get(f"/plan/versions/{plan.pk}/").status_code == 404
    assert plan.planning is not None
    assert other.get(f"/plan/asked/{plan.planning.pk}/").status_code == 404
    assert "No plan is in force" in other.get("/plan/").content.decode() or "no open work order" in other.get(
        "/plan/"
    ).content.decode()


def test_an_order_without_a_place_is_told_why_and_what_would_give_it_one(
    desk: Client, yard: Yard, run_errands: Callable[[], int], at: datetime
) -> None:
    """Both probes fall due before anybody can use them: every order is left out, with the probes by name."""
    Instrument.objects.filter(shop=yard.shop, kind="probe").update(due_on=at.date() - timedelta(days=1))
    desk.post("/plan/ask/", {"why": "", "seconds": "3.0"})
    Planning.objects.update(seconds=0.2)
    run_errands()
    asked = Planning.objects.get()
    assert asked.failure == ""
    (plan, *_) = asked.plans.all()
    assert {one["order"] for one in plan.plan["unscheduled"]} == {one.number for one in yard.orders.values()}
    page = desk.get(f"/plan/asked/{asked.pk}/").content.decode()
    left_out = page.split("Left out", 1)[1].split("</section>")[0]
    assert "PR-07" in left_out
    assert "7019" in left_out
    for inner in ("person-", "place-", "BY-2026-"):
        assert inner not in left_out
    ways = [way["sentence"] for one in plan.plan["unscheduled"] for way in one["remedies"]]
    assert ways
    assert left_out.count("<ul>") >= 1


def test_orders_left_out_for_the_same_are_told_of_together() -> None:
    numbers = ("BY-1", "BY-2", "BY-3")
    plan = {
        "unscheduled": [
            {"order": one, "reason": f"Operation {one}/set needs probe: PR-07 is away.", "ids": [],
             "remedies": [{"sentence": "PR-07 back would do."}] if one != "BY-3" else []}
            for one in numbers
        ],
        "conflicts": [],
    }  # fmt: skip
    names = {one: f"K7 700{one[-1]}" for one in numbers} | {f"{one}/set": f"set of K7 700{one[-1]}" for one in numbers}
    first, second = left_out(plan, names, ZoneInfo("Europe/London"))
    assert (first.names, first.why) == (("K7 7001", "K7 7002"), "Operation set needs probe: PR-07 is away.")
    assert second.names == ("K7 7003",)
    page = render_to_string("planning/_left_out.html", {"left_out": [first]})
    assert "K7 7001, K7 7002" in page
    assert "This would give each of the 2 a place" in page


def test_an_order_requested_since_leads_from_the_board_to_its_promise(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    page = desk.get("/plan/").content.decode()
    assert "no place on the board" not in page
    old = yard.orders["7003"]
    order = request_order(unit=yard.orders["4107"].unit, procedure=old.procedure, reason="overhaul", priority=1,
                          by=yard.planner, at=at)  # fmt: skip
    page = desk.get("/plan/").content.decode()
    assert "1 open order has" in page.split('id="board-broken"')[1].split("</div>")[0]
    rest = page.split('id="board-rest"')[1]
    assert f'href="/orders/{order.pk}/"' in rest
    assert f'href="/plan/promise/{order.pk}/?from=board"' in rest


def test_a_plan_that_leaves_everything_out_is_in_force_and_says_why(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    Instrument.objects.filter(shop=yard.shop, kind="probe").update(due_on=at.date() - timedelta(days=1))
    plan_now()
    page = desk.get("/plan/").content.decode()
    assert "No plan is in force yet" not in page
    assert "Plan 1 is in force" in page
    out = page.split('id="out-title"')[1].split("</section>")[0]
    assert out.count("<strong>") == 1  # a few hours would do for the first of them, and days for all alike
    assert all(unit in out for unit in yard.orders)
    assert "would give each of the 6 a place" in out
    assert "Something went wrong" in page


def test_of_many_facts_three_of_a_kind_are_in_the_sentence_and_all_of_them_unfold() -> None:
    zone = ZoneInfo("Europe/London")
    named = [{"kind": "calendar", "ids": [f"person-{number}"], "sentence": f"person-{number} is never at work."}
             for number in range(5)]  # fmt: skip
    plan = {
        "unscheduled": [{"order": "BY-1", "reason": "Too few.", "ids": [], "remedies": [{"sentence": "One more."}]}],
        "conflicts": [{"sentence": "Too few.", "named": named}, {"sentence": "person-1 is in two places."}],
    }
    names = {"BY-1": "K7 7003", **{f"person-{number}": f"Somebody {number}" for number in range(5)}}
    (one,) = left_out(plan, names, zone)
    assert one.facts == tuple(f"Somebody {number} is never at work." for number in range(5))
    page = render_to_string("planning/_left_out.html", {"left_out": [one]})
    assert "All 5 facts" in page
    assert page.index("<details") < page.index("Somebody 4")
    assert "This would give it a place" in page
    assert clashes(plan, names, zone) == ["Somebody 1 is in two places."]
    named[3:] = []
    (few,) = left_out(plan, names, zone)
    assert few.facts == ()
