"""The earliest honest promise: where an order goes with everything else in place, and what giving way would do."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from jobs.errors import NotAllowed, WrongPerson
from jobs.fleet.models import Engine, EngineType, Installation, Unit
from jobs.ledger.models import Entry
from jobs.orders import actions as orders
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.planning import promising, shown
from jobs.planning.actions import plans
from jobs.planning.models import Plan
from jobs.planning.shifts import merged
from tests.yard import Yard

ZERO = datetime(2026, 3, 16, tzinfo=UTC)


@pytest.fixture
def coming_in(yard: Yard, engine_type: EngineType, plan_now: Callable[..., Plan], at: datetime) -> WorkOrder:
    """An urgent request that the plan in force knows nothing of."""
    plan_now()
    unit = Unit.objects.create(number="R4 4102", unit_class="R4", home_shop=yard.shop)
    engine = Engine.objects.create(serial="late-1", engine_type=engine_type)
    Installation.objects.create(engine=engine, unit=unit, from_on=at.date() - timedelta(days=90))
    procedure = yard.orders["7003"].procedure
    return orders.request_order(
        unit=unit, procedure=procedure, reason="overhaul", priority=1, needed_by=at + timedelta(hours=10),
        by=yard.planner, at=at,
    )  # fmt: skip


def offered(yard: Yard, order: WorkOrder, at: datetime) -> tuple[list[promising.Offer], dict[str, Any], Any]:
    facts, stated = plans.stated_now(yard.shop, at=at)
    found = promising.offers(stated.problem, order.number, facts.bookings).offers
    return found, facts.bookings, stated


def test_the_first_offer_leaves_everything_where_it_stands(yard: Yard, coming_in: WorkOrder, at: datetime) -> None:
    found, bookings, stated = offered(yard, coming_in, at)
    first = found[0]
    assert first.moved == ""
    # Held against the whole board: with the order laid where the offer has it, the checker passes everything.
    from analysis.schedule.check import check
    from analysis.schedule.plan import plan
    from analysis.schedule.standing import standing

    alone = promising.Taken(stated.problem, bookings).problem_of([coming_in.number], first=coming_in.number)
    made: Any = plan(alone, seconds=0.0, steps=promising.STEPS)
    whole: Any = standing(stated.problem, {**bookings, **made["bookings"]})
    assert whole["unscheduled"] == []
    assert check(stated.problem, whole) == []
    assert datetime.fromisoformat(whole["orders"][coming_in.number]["end"]) == first.at
    for key, booking in bookings.items():
        assert datetime.fromisoformat(whole["bookings"][key]["start"]) == datetime.fromisoformat(booking["start"])


SPANS = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 20)), max_size=8)


@given(SPANS, SPANS)
def test_spans_without_gaps(spans: list[tuple[int, int]], gaps: list[tuple[int, int]]) -> None:
    def real(given_spans: list[tuple[int, int]]) -> list[tuple[datetime, datetime]]:
        return sorted((ZERO + timedelta(hours=a), ZERO + timedelta(hours=a + b)) for a, b in given_spans)

    opened = merged(real(spans))
    left = promising._less(opened, real(gaps))
    assert left == merged(left)
    for hour in range(90):
        middle = ZERO + timedelta(hours=hour, minutes=30)
        inside = any(a <= middle < b for a, b in opened) and not any(a <= middle < b for a, b in real(gaps))
        assert inside == any(a <= middle < b for a, b in left)


def test_an_earlier_offer_names_who_gives_way_and_to_when(yard: Yard, coming_in: WorkOrder, at: datetime) -> None:
    found, _, stated = offered(yard, coming_in, at)
    assert len(found) > 1
    numbers = {order.number for order in yard.orders.values()}
    for one in found[1:]:
        assert one.at < found[0].at
        assert one.moved in numbers
        assert one.moved_to is not None
        words = shown.offer_words(one, stated.names, yard.shop.zone)
        assert f"if {stated.names[one.moved]} moves from" in words
        assert ("too late for it" in words) == one.moved_late
    # Who may be late because of it comes after who may not.
    assert [one.moved_late for one in found[1:]] == sorted(one.moved_late for one in found[1:])


def test_nothing_more_urgent_is_asked_to_give_way(
    yard: Yard, coming_in: WorkOrder, at: datetime
) -> None:
    WorkOrder.objects.filter(pk=coming_in.pk).update(priority=3)
    found, _, _ = offered(yard, coming_in, at)
    urgent = {yard.orders[name].number for name in ("7003", "7005", "4111")}
    assert urgent.isdisjoint({one.moved for one in found})


def test_an_order_without_any_place_gets_no_promise(yard: Yard, coming_in: WorkOrder, at: datetime) -> None:
    from jobs.tooling.models import Instrument

    Instrument.objects.filter(shop=yard.shop, kind="torque-wrench").update(state="withdrawn", state_reason="x")
    facts, stated = plans.stated_now(yard.shop, at=at)
    found = promising.offers(stated.problem, coming_in.number, facts.bookings)
    assert found.offers == []
    assert "torque-wrench" in found.why_none


def test_a_promise_is_given_moved_and_kept_in_the_history(
    yard: Yard, coming_in: WorkOrder, technician: Person, at: datetime
) -> None:
    promised = at + timedelta(days=2)
    orders.promise_order(coming_in, promised_at=promised, by=yard.planner, at=at)
    orders.promise_order(coming_in, promised_at=promised + timedelta(days=1), by=yard.planner, at=at)
    coming_in.refresh_from_db()
    assert coming_in.promised_at == promised + timedelta(days=1)
    sentences = list(Entry.objects.filter(kind="order.promised").order_by("number").values_list("sentence", flat=True))
    assert sentences == [
        "R4 4102 is promised by 2026-03-18 08:20.",
        "R4 4102 is promised by 2026-03-19 08:20, moved from 2026-03-18 08:20.",
    ]
    with pytest.raises(WrongPerson):
        orders.promise_order(coming_in, promised_at=promised, by=technician, at=at)
    with pytest.raises(NotAllowed, match="time that is over"):
        orders.promise_order(coming_in, promised_at=at - timedelta(hours=1), by=yard.planner, at=at)


def test_the_planner_is_loaded_once_beside_the_work() -> None:
    first = promising.get_ready()
    first.join(timeout=120)
    assert not first.is_alive()
    assert promising.get_ready() is first


def test_those_that_stand_soonest_are_tried_and_those_with_time_to_spare(
    yard: Yard, coming_in: WorkOrder, at: datetime
) -> None:
    facts, stated = plans.stated_now(yard.shop, at=at)
    tried = promising._in_the_way(stated.problem, coming_in.number, facts.bookings, at + timedelta(days=30))
    begins: dict[str, datetime] = {}
    for key, booking in facts.bookings.items():
        number, start = key.partition("/")[0], datetime.fromisoformat(booking["start"])
        begins[number] = min(start, begins.get(number, start))
    assert tried[0] == min(tried, key=lambda number: (begins[number], number))
    assert len(set(tried)) == len(tried) > 2
    weights = {one["id"]: one["weight"] for one in stated.problem["orders"]}
    lightest = min(weights[number] for number in tried)
    assert lightest in {weights[number] for number in tried[:2]}
    # none that stands after the offer
    assert promising._in_the_way(stated.problem, coming_in.number, facts.bookings, at - timedelta(days=30)) == []


def test_the_page_says_of_how_many_orders_in_the_way_it_knows(
    yard: Yard, coming_in: WorkOrder, login: Callable[[Person], Client], at: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    facts, stated = plans.stated_now(yard.shop, at=at)
    found = promising.offers(stated.problem, coming_in.number, facts.bookings)
    assert 2 <= found.tried == found.in_the_way
    page = login(yard.planner).get(f"/plan/promise/{coming_in.pk}/")
    assert f"{found.tried} other orders stand before it and could give way; moving each of them was tried." in page.text
    monkeypatch.setattr(promising, "MOST_TRIED", 1)
    few = promising.offers(stated.problem, coming_in.number, facts.bookings)
    assert (few.tried, few.in_the_way) == (1, found.in_the_way)
    assert "moving 1 of them was tried, each alone: others may do better" in shown.tried_words(few)
    none = promising.offers({**stated.problem, "orders": [one for one in stated.problem["orders"]
                                                          if one["id"] == coming_in.number]}, coming_in.number, {})
    assert shown.tried_words(none) == ""
