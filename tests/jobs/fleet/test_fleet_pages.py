"""Units and engines on the screen."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from jobs.fleet.models import Engine, Installation, Unit
from jobs.ledger.models import Entry
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


def test_a_unit_and_its_engine_are_added_and_put_together(login: Login, planner: Person, engine: Engine) -> None:
    client = login(planner)
    made = client.post("/units/new/", {"number": " 7044 ", "unit_class": "K7"})
    unit = Unit.objects.get(number="7044")
    assert "Every engine on record is in a unit." in client.get(f"/units/{unit.pk}/install/").text
    assert (made.status_code, made["Location"]) == (302, f"/units/{unit.pk}/")
    assert f'href="/units/{unit.pk}/install/"' in client.get(f"/units/{unit.pk}/").text
    client.post("/engines/new/", {"serial": "12-0999", "engine_type": engine.engine_type_id})
    new = Engine.objects.get(serial="12-0999")
    choices = client.get(f"/units/{unit.pk}/install/").text
    assert "12-0999" in choices
    assert engine.serial not in choices     # it is in another unit
    today = planner.shop.today().isoformat()
    assert client.post(f"/units/{unit.pk}/install/", {"engine": new.pk, "from_on": today}).status_code == 302
    assert "12-0999" in client.get(f"/units/{unit.pk}/").text
    assert client.post(f"/engines/{new.pk}/remove/", {"until_on": today}).status_code == 302
    assert Installation.objects.get(engine=new).until_on == planner.shop.today()
    assert list(Entry.objects.order_by("pk").values_list("kind", flat=True))[-4:] == [
        "unit.added", "engine.added", "engine.installed", "engine.removed"
    ]


def test_a_running_number_is_given_once(login: Login, planner: Person, engine: Engine) -> None:
    again = login(planner).post("/units/new/", {"number": "7012", "unit_class": "K7"})
    assert again.status_code == 422
    assert "already exists" in again.text
    assert Unit.objects.filter(number="7012").count() == 1


def test_an_engine_is_not_recorded_in_a_unit_that_has_one(login: Login, planner: Person, engine: Engine) -> None:
    client = login(planner)
    spare = Engine.objects.create(serial="12-0888", engine_type=engine.engine_type)
    unit = Installation.objects.get(engine=engine, until_on=None).unit
    assert f'href="/engines/{engine.pk}/remove/"' in client.get(f"/units/{unit.pk}/").text
    day = planner.shop.today().isoformat()
    refused = client.post(f"/units/{unit.pk}/install/", {"engine": spare.pk, "from_on": day})
    assert refused.status_code == 409
    assert f"Engine {engine.serial} is in unit {unit.number}; record its removal first." in refused.text
    assert not Installation.objects.filter(engine=spare).exists()


def test_an_engine_is_not_recorded_before_it_happens(login: Login, planner: Person, engine: Engine) -> None:
    refused = login(planner).post(f"/engines/{engine.pk}/remove/", {"until_on": "2099-01-01"})
    assert refused.status_code == 409
    assert "when it is done, not before" in refused.text
    assert Installation.objects.filter(engine=engine, until_on=None).exists()


def test_who_does_not_keep_the_fleet_is_offered_nothing(login: Login, technician: Person, engine: Engine) -> None:
    client = login(technician)
    unit = Installation.objects.get(engine=engine, until_on=None).unit
    for address in ("/units/", f"/units/{unit.pk}/", f"/engines/{engine.pk}/"):
        page = client.get(address).text
        assert not [word for word in ("/units/new/", "/engines/new/", "/install/", "/remove/") if word in page]
