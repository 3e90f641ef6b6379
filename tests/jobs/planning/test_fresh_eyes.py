"""What a planner who never saw the pages before stumbled over."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.ledger.models import Entry
from jobs.people.models import Person
from jobs.planning import boarddata, making, promising, shown
from jobs.planning.actions import board as by_hand
from jobs.planning.actions import plans
from jobs.planning.models import Change, Plan
from tests.yard import Yard


def last_ready(yard: Yard, at: datetime) -> tuple[str, datetime]:
    """The order that the board has ready last."""
    facts, stated = plans.stated_now(yard.shop, at=at)
    ends = {key: datetime.fromisoformat(end) for key, end in plans.problem.ends(facts.bookings).items()}
    number = max(ends, key=lambda key: ends[key])
    assert number in stated.names
    return number, ends[number]


# --- Promises -----------------------------------------------------------------------------------------


def offers(yard: Yard, number: str, at: datetime) -> list[promising.Offer]:
    facts, stated = plans.stated_now(yard.shop, at=at)
    return promising.offers(stated.problem, number, facts.bookings).offers


def test_an_order_on_the_board_is_first_promised_for_where_the_board_has_it(
    yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    number, end = last_ready(yard, at)
    found = offers(yard, number, at)
    assert (found[0].at, found[0].stands) == (end, True)
    for one in found[1:]:
        assert one.at < end
        assert one.itself
        assert "moves there first" in shown.offer_words(one, {}, yard.shop.zone)


def test_a_place_that_clashes_with_the_facts_is_no_offer(
    yard: Yard, plan_now: Callable[..., Plan], technician: Person, technician2: Person, at: datetime
) -> None:
    from jobs.planning.actions.absences import enter_absence

    plan_now()
    number, end = last_ready(yard, at)
    for who in (technician, technician2):
        enter_absence(
            shop=yard.shop, who=who, starts_at=at, ends_at=end + timedelta(days=1), reason="ill", by=yard.planner, at=at
        )
    found = offers(yard, number, at)
    assert found
    assert not found[0].stands
    assert found[0].at > end


def test_a_promise_before_the_board_has_it_ready_is_told_so(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    number, end = last_ready(yard, at)
    order = next(one for one in yard.orders.values() if one.number == number)
    page = desk.get(f"/plan/promise/{order.pk}/?from=board").content.decode()
    assert "where the board has it." in page
    early = timezone.localtime(end - timedelta(hours=1))
    told = desk.post(
        f"/plan/promise/{order.pk}/?from=board", {"promised_at": f"{early:%Y-%m-%dT%H:%M}"}, follow=True
    )
    assert told.redirect_chain[-1][0] == "/plan/"
    assert "which is later. Move it or ask for a plan." in told.content.decode()


# --- Nonsense -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("nonsense", [{"minutes": 10**18}, {"minutes": -5}, {"start": 4_223_371_656}, {"start": 0}])
def test_a_move_that_nobody_can_mean_is_refused_in_words(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime, nonsense: dict[str, Any]
) -> None:
    plan_now()
    board, _, _ = by_hand.board_now(yard.shop, at=at)
    key = next(one for one in board.stands if board.work[one].state == "planned")
    for name in ("plan-board-try", "plan-board-change"):
        answer = desk.post(reverse(name), {"operation": key, **nonsense})
        assert answer.status_code == 422
        assert "is no " in answer.json()["reasons"][0]
    form = {f"resource_{number}": one for number, one in enumerate(board.stands[key].resources)}
    form |= {"start": "2026-03-17T08:00", "minutes": "30"}
    typed = {"start": "9999-12-31T23:59"} if "start" in nonsense else {"minutes": str(10**10)}
    for button in ({"look": "yes"}, {}):
        page = desk.post(f"/plan/board/move/{key}/", {**form, **typed, **button})
        assert page.status_code == 422
        assert "is no " in page.content.decode()


def test_a_start_that_is_just_over_is_a_clash_and_no_refusal(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    board, _, _ = by_hand.board_now(yard.shop, at=at)
    key = next(one for one in board.stands if board.work[one].state == "planned")
    start = boarddata.minutes(at - timedelta(days=2))
    answer = desk.post(reverse("plan-board-try"), {"operation": key, "start": start, "push": "false"})
    assert any("which is over" in sentence for sentence in answer.json()["clashes"])


# --- The board ----------------------------------------------------------------------------------------


def test_the_board_names_each_promise_that_it_does_not_keep(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], technician: Person, login: Callable[[Person], Client],
    at: datetime,
) -> None:  # fmt: skip
    from jobs.orders import actions as orders

    plan_now()
    number, end = last_ready(yard, at)
    order = next(one for one in yard.orders.values() if one.number == number)
    heading, way_on = "Promises that the board does not keep", f"/plan/promise/{order.pk}/?from=board"
    orders.promise_order(order, promised_at=end, by=yard.planner, at=at)
    assert heading not in desk.get("/plan/").content.decode()
    orders.promise_order(order, promised_at=end - timedelta(hours=2), by=yard.planner, at=at)
    page = desk.get("/plan/").content.decode()
    told = page[page.index(heading) : page.index("data-board ")]
    assert "2 h after it." in told
    assert way_on in told
    others = login(technician).get("/plan/").content.decode()
    assert heading in others
    assert way_on not in others


def test_the_board_names_the_orders_that_end_later_than_needed(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    in_force = plan_now()
    number, end = last_ready(yard, at)
    order = next(one for one in yard.orders.values() if one.number == number)
    assert "later than needed: " not in desk.get("/plan/").content.decode()
    type(order).objects.filter(pk=order.pk).update(needed_by=end - timedelta(hours=3))
    page = desk.get("/plan/").content.decode()
    told = page[page.index('id="board-broken"') : page.index("data-board ")]
    assert "1 order ends later than needed: " in told
    assert "3 h after" in told
    assert reverse("plan-version", args=[in_force.pk]) in told


def test_the_move_of_another_planner_is_named_before_it_is_taken_back(
    desk: Client, yard: Yard, hire: Callable[..., Person], plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    second = hire(yard.shop, "planner2", "Lorna Haig", roles=("planner",))
    board, _, _ = by_hand.board_now(yard.shop, at=at)
    key = next(one for one in board.stands if board.work[one].state == "planned")
    by_hand.change_board(key, pin=True, by=second, at=at)
    undo = reverse("plan-board-undo")
    refused = desk.post(undo, {"whoever": "false"}, headers={"accept": "application/json"})
    assert refused.status_code == 409
    assert refused.json()["not_yours"] is True
    assert f"Lorna Haig's: {board.called(key)}" in refused.json()["reasons"][0]
    assert desk.post(undo, {"whoever": "true"}, headers={"accept": "application/json"}).json()["by"] == "Lorna Haig"
    by_hand.change_board(key, pin=True, by=yard.planner, at=at)
    by_hand.change_board(key, start=board.stands[key].start + timedelta(hours=1), by=yard.planner, at=at)
    assert desk.post(undo, {"whoever": "false"}, headers={"accept": "application/json"}).status_code == 200
    own = desk.post(undo, {"whoever": "false"}, headers={"accept": "application/json"})
    assert own.status_code == 200
    nothing = desk.post(undo, {"whoever": "false"}, headers={"accept": "application/json"}).json()
    assert nothing["not_yours"] is False
    by_hand.change_board(key, pin=True, by=yard.planner, at=at)
    assert desk.post(undo, {}, headers={"accept": "application/json"}).json()["did"] == "pinned"
    # The history tells of the pins what became of them, and nothing of moves that came to nothing.
    told = list(Entry.objects.filter(kind="operation.pinned").order_by("number").values_list("sentence", flat=True))
    name = board.called(key)[:1].upper() + board.called(key)[1:]
    assert told == [f"{name} pinned.", f"{name} let go, as before."] * 3


def test_one_operation_made_longer_step_by_step_is_one_line_of_what_is_accepted(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    board, _, _ = by_hand.board_now(yard.shop, at=at)
    key = next(one for one in board.stands if board.work[one].state == "planned" and board.work[one].minutes)
    for more in (15, 30, 45):
        by_hand.change_board(key, minutes=board.work[key].minutes + more, push=True, by=yard.planner, at=at)
    page = desk.get(reverse("plan-board-accept")).content.decode()
    assert page.count(" min long, from ") == 1
    assert f"{board.work[key].minutes + 45:g} min long, from " in page
    assert ", in 3 steps" in page


# --- What went wrong, and what has changed ------------------------------------------------------------


def test_an_instrument_is_offered_with_what_it_is(desk: Client, plan_now: Callable[..., Plan]) -> None:
    plan_now()
    assert ">PR-09, probe<" in desk.get("/plan/trouble/").content.decode()


def test_only_of_work_in_hand_something_is_left(yard: Yard, plan_now: Callable[..., Plan], at: datetime) -> None:
    from jobs.errors import BadInput
    from jobs.planning.actions.trouble import report_trouble
    from jobs.planning.models import OperationFacts

    plan_now()
    order = yard.orders["4107"].number
    for what in (f"{order}/set", f"{order}/nonsense"):
        with pytest.raises(BadInput, match="is not in hand"):
            report_trouble(what=what, starts_at=at, hours=2.0, by=yard.planner, at=at)
    assert not OperationFacts.objects.exists()


def test_facts_of_two_who_are_called_the_same_are_both_watched(
    yard: Yard, technician: Person, technician2: Person, at: datetime
) -> None:
    from jobs.planning.actions.absences import enter_absence

    Person.objects.filter(pk=technician2.pk).update(name=technician.name)
    before = plans.stated_now(yard.shop, at=at)[1].marks
    for who in (technician, technician2):
        enter_absence(shop=yard.shop, who=who, starts_at=at, ends_at=None, reason="ill", by=yard.planner, at=at)
        marks = plans.stated_now(yard.shop, at=at)[1].marks
        assert plans.problem.changed(before, marks) == [technician.name]
        before = marks


# --- Alternatives, and what they are called -----------------------------------------------------------


def cost(moved: int, late: float, past: float = 0.0, left_out: int = 0) -> dict[str, Any]:
    promises = [{"order": "one", "hours": past}] if past else []
    return {"moved": moved, "weighted_hours_late": late, "promises_moved": promises, "left_out": left_out, "ends": None}


def test_a_plan_is_called_by_what_it_is_best_at() -> None:
    moves, promises, hours = making.AGAIN
    # As the searches were meant to end.
    meant = [(moves, cost(3, 20.0, 4.0)), (promises, cost(9, 15.0, 1.0)), (hours, cost(30, 10.0, 2.0))]
    assert making.titled(meant) == ["Fewest moves", "Promises first", "Fewest hours late"]
    # The one looked for with fewest moves moves more, and is best at nothing.
    beaten = [(moves, cost(66, 489.0)), (promises, cost(64, 435.0)), (hours, cost(131, 421.0))]
    assert making.titled(beaten) == ["", "Fewest moves, promises first", "Fewest hours late"]
    # Equal by the measure: the one looked for with it. Equal in everything: one of them is enough.
    even = [(moves, cost(3, 9.0)), (promises, cost(3, 8.0)), (hours, cost(9, 7.0))]
    assert making.titled(even) == ["", "Fewest moves, promises first", "Fewest hours late"]
    even = [(moves, cost(3, 8.0)), (promises, cost(3, 8.0) | {"ends_moved": ["x"]}), (hours, cost(9, 7.0))]
    assert making.titled(even) == ["Fewest moves", "Promises first", "Fewest hours late"]
    equal = [(moves, cost(3, 9.0)), (hours, cost(3, 9.0))]
    assert making.titled(equal) == ["Fewest moves, fewest hours late", ""]
    # Leaving out an order is never better.
    less = [(moves, cost(0, 0.0, left_out=1)), (hours, cost(3, 9.0))]
    assert making.titled(less) == ["", "Fewest moves, fewest hours late"]


def test_plans_whose_facts_have_changed_say_so_before_one_is_accepted(
    desk: Client, yard: Yard, run_errands: Callable[[], int], technician: Person, at: datetime
) -> None:
    from jobs.planning.actions.absences import enter_absence

    asked = plans.ask_plan(seconds=0.4, by=yard.planner, at=at)
    run_errands()
    page = desk.get(f"/plan/asked/{asked.pk}/").content.decode()
    assert "Put it in force" in page
    assert "All done by" in page
    enter_absence(shop=yard.shop, who=technician, starts_at=at, ends_at=None, reason="ill", by=yard.planner, at=at)
    page = desk.get(f"/plan/asked/{asked.pk}/").content.decode()
    assert f"something has changed: {technician.name}." in page
    assert "Ask for a plan again" in page
    assert "Put it in force" not in page


def test_the_minutes_of_operations_can_be_reached(desk: Client) -> None:
    assert reverse("plan-minutes") in desk.get("/plan/ask/").content.decode().split('id="content"')[1]


def test_a_held_order_is_named_with_the_bay_that_it_keeps(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], technician: Person, at: datetime
) -> None:
    from jobs.orders import actions as orders

    plan_now()
    order = yard.orders["7003"]
    for act, by, more in (
        (orders.release_order, yard.planner, {}), (orders.start_order, technician, {}),
        (orders.hold_order, yard.planner, {"reason": "No gasket."}),
    ):  # fmt: skip
        order.refresh_from_db()
        act(order, **more, by=by, at=at)  # type: ignore[operator]
    order.refresh_from_db()
    page = desk.get("/plan/").content.decode()
    assert f"7003 ({order.number})</a></strong>: Held: No gasket. It keeps {order.bay} until it goes on." in page


def test_a_bar_tells_its_minutes_of_work_and_not_of_the_break_in_it(
    yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    board, _, _ = by_hand.board_now(yard.shop, at=at)
    facts, _ = plans.stated_now(yard.shop, at=at)
    key = next(one for one in board.stands if one.endswith("/set"))
    work, stands = board.work[key], board.stands[key]
    work.may_pause = True
    person = next(one for one in stands.resources if one.startswith("person-"))
    spans = board.calendars[board.resources[person]["calendar"]]
    late = next(until for _, until in spans if until > stands.end) - timedelta(minutes=15)
    board.stands |= board.move(key, start=late, push=False).bookings
    bar = next(one for one in boarddata.drawn(board, facts)["bars"] if one["id"] == key)
    assert bar["end"] - bar["start"] > bar["minutes"] == work.minutes


def test_moves_by_hand_are_told_in_words_before_the_board_is_accepted(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    board, _, _ = by_hand.board_now(yard.shop, at=at)
    key = next(one for one in board.stands if one.endswith("/set"))
    called = board.called(key)[:1].upper() + board.called(key)[1:]
    start = board.stands[key].start + timedelta(days=1)
    for wanted in ({"start": start}, {"minutes": 45}, {"pin": True}, {"pin": False}):
        by_hand.change_board(key, **wanted, by=yard.planner, at=at)  # type: ignore[arg-type]
    page = desk.get("/plan/board/accept/").content.decode()
    when = shown.moment(start, yard.shop.zone)
    others = len(Change.objects.earliest("sequence").after["bookings"]) - 1
    assert others
    moved = f"moved to {when}, and {others} other{'s' * (others > 1)} with it"
    for done in (moved, f"45 min long, from {when}", f"pinned to {when}", "let go"):
        assert f"{called}: {done}." in page
