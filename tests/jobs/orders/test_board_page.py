"""The board: true counts, filters and sorting in the address, the same as CSV, a budget of queries."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from jobs.fleet.models import Engine, Unit
from jobs.orders import actions
from jobs.orders.models import Finding, OrderStep, Procedure, WorkOrder
from jobs.people.models import Person, Shop
from tests.cast import STEP

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


@pytest.fixture
def make_orders(
    brackwater: Shop, unit: Unit, engine: Engine, procedure: Procedure, planner: Person
) -> Callable[..., list[WorkOrder]]:
    """`make_orders(n, **fields)`: n work orders as rows only."""

    def make(count: int, *, shop: Shop = brackwater, prefix: str = "BY-2025-", **fields: Any) -> list[WorkOrder]:
        return WorkOrder.objects.bulk_create(
            WorkOrder(
                shop=shop, number=f"{prefix}{number:04d}", unit=unit, engine=engine, procedure=procedure,
                reason="overhaul", requested_by=planner, **fields,
            )
            for number in range(1, count + 1)
        )  # fmt: skip

    return make


def numbers_in(page: str) -> list[str]:
    """Numbers of the work orders on a page, in their order."""
    found = [part.split("<")[0] for part in page.split('/">') if part.startswith("BY-")]
    return list(dict.fromkeys(found))


def test_open_work_orders_are_shown_and_closed_ones_only_on_wish(
    login: Login, planner: Person, requested: WorkOrder, make_orders: Any
) -> None:
    make_orders(1, state="closed")
    client = login(planner)
    assert numbers_in(client.get("/orders/").text) == [requested.number]
    assert numbers_in(client.get("/orders/?state=closed").text) == ["BY-2025-0001"]
    assert len(numbers_in(client.get("/orders/?state=every").text)) == 2


def test_another_shops_work_is_neither_shown_nor_counted(
    login: Login, planner: Person, make_orders: Any, port_ansel: Shop
) -> None:
    make_orders(3, shop=port_ansel, prefix="PA-2025-")
    page = login(planner).get("/orders/?state=every").text
    assert "PA-2025" not in page
    assert "There is none" in page or "No work order matches" in page


def test_the_counts_are_of_all_work_orders_not_of_the_page(
    login: Login, planner: Person, make_orders: Any
) -> None:
    make_orders(120)
    page = login(planner).get("/orders/?page=3").text
    assert "101 to 120 of 120" in page
    assert "120 requested" in page


@pytest.mark.parametrize("words", ["0457", "7012", "0001"])
def test_it_is_found_by_engine_unit_and_number(
    login: Login, planner: Person, requested: WorkOrder, words: str
) -> None:
    client = login(planner)
    assert numbers_in(client.get(f"/orders/?words={words}").text) == [requested.number]
    assert numbers_in(client.get("/orders/?words=nothing-like-it").text) == []


def test_mine_are_those_i_am_planned_for(login: Login, technician: Person, technician2: Person, planned: Any) -> None:
    assert numbers_in(login(technician).get("/orders/?who=mine").text) == [planned.number]
    assert numbers_in(login(technician2).get("/orders/?who=mine").text) == []


def test_what_waits_for_a_second_person_is_at_a_hold_point(
    login: Login, inspector: Person, in_work: WorkOrder, walk: Any
) -> None:
    client = login(inspector)
    assert numbers_in(client.get("/orders/?needs=second-person").text) == []
    walk(in_work, until="stroke-hold")
    assert numbers_in(client.get("/orders/?needs=second-person").text) == [in_work.number]
    assert numbers_in(client.get("/orders/?needs=work").text) == []


def test_what_waits_for_a_decision_has_an_undecided_finding(
    login: Login, inspector: Person, technician: Person, in_work: WorkOrder, at: datetime
) -> None:
    actions.raise_finding(in_work, text="A stud is bent.", by=technician, at=at)
    page = login(inspector).get("/orders/?needs=decision").text
    assert numbers_in(page) == [in_work.number]
    assert "1 finding not decided" in page


def test_late_is_what_is_open_past_the_time_it_is_needed(
    login: Login, planner: Person, make_orders: Any
) -> None:
    now = timezone.now()
    make_orders(1, needed_by=now - timedelta(hours=1))
    make_orders(1, needed_by=now + timedelta(hours=1), prefix="BY-2024-")
    make_orders(1, needed_by=now - timedelta(hours=1), state="closed", prefix="BY-2023-")
    page = login(planner).get("/orders/?late=on&state=every").text
    assert numbers_in(page) == ["BY-2025-0001"]
    assert "<strong>late</strong>" in page


def test_it_sorts_both_ways_and_an_unknown_column_changes_nothing(
    login: Login, planner: Person, make_orders: Any
) -> None:
    make_orders(3)
    client = login(planner)
    upwards = numbers_in(client.get("/orders/?sort=number").text)
    assert upwards == sorted(upwards)
    assert numbers_in(client.get("/orders/?sort=-number").text) == upwards[::-1]
    assert client.get("/orders/?sort=password").status_code == 200


@pytest.mark.parametrize("query", ["state=nonsense", "priority=x", "page=999", "page=x", "needs=nothing", "bay=none"])
def test_an_address_that_makes_no_sense_still_gives_a_page(
    login: Login, planner: Person, requested: WorkOrder, query: str
) -> None:
    assert login(planner).get(f"/orders/?{query}").status_code == 200


def test_the_csv_holds_every_row_that_the_filter_keeps(
    login: Login, planner: Person, make_orders: Any
) -> None:
    make_orders(120)
    make_orders(2, state="closed", prefix="BY-2024-")
    answer: Any = login(planner).get("/orders.csv?state=requested&sort=-number")
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
    assert len(rows) == 120
    assert rows[0]["number"] == "BY-2025-0120"
    assert rows[0]["engine"] == "12-0457"


def test_a_verdict_is_drawn_in_the_row(login: Login, planner: Person, in_work: WorkOrder, walk: Any) -> None:
    step = OrderStep.objects.get(work_order=in_work, position=STEP["as-found"])
    walk.give_result(step, verdict="undecided", deviation_deg=0.24, expanded_deg=0.05)
    page = login(planner).get("/orders/").text
    assert "undecided" in page
    assert "+0.240°" in page


@pytest.mark.parametrize("count", [10, 1000])
def test_more_work_orders_cost_no_more_queries(
    login: Login,
    planner: Person,
    requested: WorkOrder,
    make_orders: Any,
    django_assert_num_queries: Any,
    count: int,
) -> None:
    orders = make_orders(count)
    Finding.objects.bulk_create(
        Finding(work_order=order, number=1, kind="observation", text="bent stud") for order in orders
    )
    client = login(planner)
    with django_assert_num_queries(11):
        page = client.get("/orders/")
    assert f"of {count + 1:,}" in page.text


def test_a_planner_requests_work_on_the_page(
    login: Login, planner: Person, unit: Unit, engine: Engine, procedure_revision: Any
) -> None:
    year = timezone.now().year + 1
    form = {
        "unit": unit.pk,
        "procedure": procedure_revision.procedure_id,
        "reason": "ring-disturbed",
        "priority": 2,
        "needed_by": f"{year}-03-18T17:00",
    }
    answer = login(planner).post("/orders/new/", form, follow=True)
    order = WorkOrder.objects.get()
    assert answer.redirect_chain == [(f"/orders/{order.pk}/", 302)]
    assert order.needed_by is not None
    # Typed in the shop's time: Brackwater keeps UTC in March, before summer time.
    assert order.needed_by.isoformat() == f"{year}-03-18T17:00:00+00:00"
    assert "open as well" not in answer.text
    again = login(planner).post("/orders/new/", form, follow=True)
    assert f"{unit.number} has {order.number} open as well." in again.text


def test_a_need_in_the_past_is_refused_at_its_field(
    login: Login, planner: Person, unit: Unit, engine: Engine, procedure_revision: Any
) -> None:
    form = {
        "unit": unit.pk, "procedure": procedure_revision.procedure_id, "reason": "overhaul", "priority": 3,
        "needed_by": "2020-01-01T10:00", "reason_note": "Smoke at notch 8.",
    }  # fmt: skip
    answer = login(planner).post("/orders/new/", form)
    assert answer.status_code == 409
    assert "a time that is over" in answer.text
    assert "Smoke at notch 8." in answer.text
    assert not WorkOrder.objects.exists()


def test_a_technician_requests_nothing(login: Login, technician: Person) -> None:
    assert login(technician).get("/orders/new/").status_code == 403


def test_the_csv_calls_a_refused_file_refused(login: Login, planner: Person, in_work: WorkOrder, walk: Any) -> None:
    step = OrderStep.objects.get(work_order=in_work, position=STEP["as-found"])
    walk.give_result(step, outcome="refused", verdict="no-result")
    answer: Any = login(planner).get("/orders.csv")
    assert ",refused," in b"".join(answer.streaming_content).decode("utf-8-sig")
