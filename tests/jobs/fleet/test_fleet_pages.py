"""Units and engines on the screen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from jobs.fleet.models import Engine, Unit
from jobs.orders.models import OrderStep, WorkOrder
from jobs.people.models import Person, Shop
from tests.cast import STEP

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


def test_the_list_says_which_engine_is_in_which_unit(login: Login, planner: Person, engine: Engine) -> None:
    page = login(planner).get("/units/").text
    assert "7012" in page
    assert f'href="/engines/{engine.pk}/"' in page


def test_a_unit_is_found_by_the_engine_in_it(
    login: Login, planner: Person, engine: Engine, brackwater: Shop
) -> None:
    Unit.objects.create(number="7013", unit_class="K7", home_shop=brackwater)
    page = login(planner).get("/units/?words=12-0457").text
    assert "7012" in page
    assert "7013" not in page


def test_a_unit_page_leads_to_its_engine_and_its_work(
    login: Login, planner: Person, requested: WorkOrder, engine: Engine
) -> None:
    page = login(planner).get(f"/units/{requested.unit_id}/").text
    assert f'href="/engines/{engine.pk}/"' in page
    assert requested.number in page


def test_an_engine_page_draws_its_past_verdicts_as_interval_marks(
    login: Login, planner: Person, in_work: WorkOrder, walk: Any
) -> None:
    step = OrderStep.objects.get(work_order=in_work, position=STEP["as-found"])
    walk.give_result(step, verdict="nonconforming", deviation_deg=0.912, expanded_deg=0.041)
    page = login(planner).get(f"/engines/{in_work.engine_id}/").text
    assert "nonconforming" in page
    assert "+0.912°" in page
    assert "<svg" in page


def test_another_shops_verdicts_are_not_shown(
    login: Login, stranger: Person, in_work: WorkOrder, walk: Any
) -> None:
    walk.give_result(OrderStep.objects.get(work_order=in_work, position=STEP["as-found"]), deviation_deg=0.912)
    page = login(stranger).get(f"/engines/{in_work.engine_id}/")
    assert page.status_code == 200
    assert "0.912" not in page.text
    assert in_work.number not in page.text


def test_what_does_not_exist_is_not_found(login: Login, planner: Person) -> None:
    assert login(planner).get("/units/4711/").status_code == 404
    assert login(planner).get("/engines/4711/").status_code == 404


@pytest.mark.parametrize("count", [10, 1000])
def test_more_units_cost_no_more_queries(
    login: Login, planner: Person, brackwater: Shop, django_assert_num_queries: Any, count: int
) -> None:
    Unit.objects.bulk_create(
        Unit(number=f"K7 {number:04d}", unit_class="K7", home_shop=brackwater) for number in range(count)
    )
    client = login(planner)
    with django_assert_num_queries(9):
        page = client.get("/units/")
    assert f"of {count:,}" in page.text
