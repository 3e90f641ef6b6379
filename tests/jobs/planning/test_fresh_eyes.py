"""What a planner who never saw the pages before stumbled over."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.people.models import Person
from jobs.planning import boarddata, promising, shown
from jobs.planning.actions import board as by_hand
from jobs.planning.actions import plans
from jobs.planning.models import Plan
from tests.yard import Yard


@pytest.fixture
def desk(yard: Yard, login: Callable[[Person], Client], monkeypatch: pytest.MonkeyPatch, at: datetime) -> Client:
    """The planner's browser; the clock of the pages stands at `at`."""
    stopped = SimpleNamespace(now=lambda: at, localtime=timezone.localtime)
    for name in ("board", "plans", "minutes"):
        monkeypatch.setattr(f"jobs.planning.views.{name}.timezone", stopped)
    return login(yard.planner)


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
    return promising.offers(stated.problem, number, facts.bookings)[0]


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
    own = desk.post(undo, {"whoever": "false"}, headers={"accept": "application/json"})
    assert own.status_code == 200
    nothing = desk.post(undo, {"whoever": "false"}, headers={"accept": "application/json"}).json()
    assert nothing["not_yours"] is False


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
