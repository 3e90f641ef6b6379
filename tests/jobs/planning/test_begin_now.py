"""Work that should have begun and has not: it is told, and can be laid to now as a whole."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from types import SimpleNamespace

import pytest
from django.test import Client
from django.utils import timezone

from jobs.errors import NotAllowed
from jobs.planning.actions import board as by_hand
from jobs.planning.actions.board import board_now
from jobs.planning.board import Board
from jobs.planning.carrying import carried_on
from jobs.planning.clashes import Judge
from jobs.planning.models import Change, Plan
from jobs.planning.wording import moment
from tests.yard import Yard


def late_by(yard: Yard, at: datetime, after: timedelta) -> datetime:
    """So long after the first start of the plan in force."""
    board, _, _ = board_now(yard.shop, at=at)
    return min(one.start for one in board.stands.values()) + after


def turns(board: Board) -> dict[str, list[str]]:
    """What each resource does, in its order."""
    in_order = sorted(board.stands, key=lambda key: board.stands[key].start)
    return {one: [key for key in in_order if one in board.stands[key].resources] for one in board.resources}


def test_what_should_have_begun_begins_now_with_what_comes_after(
    yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    later = late_by(yard, at, timedelta(minutes=50))
    board, _, base = board_now(yard.shop, at=later)
    overdue = board.overdue()
    assert overdue
    assert all(board.stands[key].start < later for key in overdue)
    with pytest.raises(NotAllowed, match="Move something first"):
        by_hand.accept_board(by=yard.planner, at=later)
    change, effect = by_hand.begin_now(by=yard.planner, at=later)
    assert change.operation in overdue
    assert set(overdue) <= set(effect.bookings)
    assert effect.clashes == ()
    after, _, same = board_now(yard.shop, at=later)
    assert same == base
    assert after.overdue() == []
    assert timedelta(minutes=5) <= min(one.start for one in effect.bookings.values()) - later <= timedelta(minutes=20)
    for key, stands in after.stands.items():
        assert stands.start >= board.stands[key].start
        assert stands.resources == board.stands[key].resources
    judge = Judge(after, after.stands)
    assert [text for key in after.stands for text in judge.clashes(key)] == []
    assert turns(after) == turns(board)
    by_hand.undo_change(by=yard.planner, at=later)  # it is one move
    assert board_now(yard.shop, at=later)[0].stands == board.stands


def test_a_board_whose_first_work_is_late_can_be_accepted_once_it_begins_now(
    desk: Client, yard: Yard, plan_now: Callable[..., Plan], at: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan_now()
    later = late_by(yard, at, timedelta(minutes=50))
    clock = SimpleNamespace(now=lambda: later, localtime=timezone.localtime)
    monkeypatch.setattr("jobs.planning.views.board.timezone", clock)
    assert "should have begun by now and has not" in desk.get("/plan/").content.decode()
    page = desk.get("/plan/board/accept/").content.decode()
    assert "What should have begun and has not" in page
    assert "later than before" in page
    board, _, _ = board_now(yard.shop, at=later)
    first = board.overdue()[0]
    begins = carried_on(board).bookings[first].start
    assert f"of 7003 can begin {moment(begins, yard.shop.zone)}." in page
    answer = desk.post("/plan/board/begin-now/", follow=True)
    page = answer.content.decode()
    assert "moved later. Undo on the board" in page
    assert "What should have begun and has not" not in page
    assert "Moved by hand since plan 1" in page
    assert Change.objects.count() == 1
    desk.post("/plan/board/accept/", {"note": "The crew came late."})
    assert Plan.objects.filter(version=2).exists(), desk.get("/plan/board/accept/").content.decode()
    refused = desk.post("/plan/board/begin-now/", follow=True)
    assert "Nothing on the board should have begun by now" in refused.content.decode()
    assert Change.objects.count() == 1


def test_what_is_pinned_to_a_start_that_is_over_has_to_be_let_go_first(
    yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    board, _, _ = board_now(yard.shop, at=at)
    first = min(board.stands, key=lambda key: board.stands[key].start)
    by_hand.change_board(first, pin=True, by=yard.planner, at=at)
    later = board.stands[first].start + timedelta(minutes=31)
    assert board_now(yard.shop, at=later)[0].overdue() == [first]
    with pytest.raises(NotAllowed, match="Let it go on the board first"):
        by_hand.begin_now(by=yard.planner, at=later)
    by_hand.change_board(first, pin=False, by=yard.planner, at=later)
    change, _ = by_hand.begin_now(by=yard.planner, at=later)
    assert change.operation == first


def test_work_in_hand_that_takes_longer_holds_up_what_comes_after_it(
    yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    board, _, _ = board_now(yard.shop, at=at)
    first = min(board.stands, key=lambda key: board.stands[key].start)
    following = board.work[first].after
    assert following is not None
    later = board_now(yard.shop, at=board.stands[following].start + timedelta(minutes=31))[0]
    later.work[first].state, later.work[first].left = "started", 90
    moved = carried_on(later).bookings
    assert moved[following].start >= later.now + timedelta(minutes=90)


def test_work_some_minutes_late_hinders_no_move_by_hand(
    yard: Yard, plan_now: Callable[..., Plan], at: datetime
) -> None:
    plan_now()
    board, _, _ = board_now(yard.shop, at=at)
    first = min(board.stands, key=lambda key: board.stands[key].start)
    last = max(board.stands, key=lambda key: board.stands[key].start)
    late = board.stands[first].start + timedelta(minutes=29)
    by_hand.change_board(last, start=board.stands[last].start + timedelta(minutes=15), by=yard.planner, at=late)
    with pytest.raises(NotAllowed, match="before now"):
        by_hand.accept_board(by=yard.planner, at=late + timedelta(minutes=2))
    assert by_hand.accept_board(by=yard.planner, at=late).version == 2
    there = board_now(yard.shop, at=late)[0]
    assert there.stands[first].start == board.stands[first].start
    to_the_past = there.move(first, start=late - timedelta(minutes=15))
    assert any("which is over" in text for text in to_the_past.clashes)
