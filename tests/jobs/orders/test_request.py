"""Requesting a work order."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from jobs.errors import BadInput, WrongPerson
from jobs.fleet.models import Engine, Unit
from jobs.orders import actions
from jobs.orders.models import ProcedureRevision, WorkOrder
from jobs.people.models import Person, Shop
from tests.jobs.orders.asking import refused


@pytest.fixture
def ask(
    engine: Engine, unit: Unit, procedure_revision: ProcedureRevision, at: datetime
) -> Callable[..., WorkOrder]:
    def request(**other: Any) -> WorkOrder:
        values = {"unit": unit, "procedure": procedure_revision.procedure, "reason": "overhaul", "at": at}
        return actions.request_order(**{**values, **other})

    return request


def test_it_is_numbered_by_shop_year_and_counter(ask: Callable[..., WorkOrder], planner: Person) -> None:
    assert [ask(by=planner).number for _ in range(3)] == ["BY-2026-0001", "BY-2026-0002", "BY-2026-0003"]


def test_it_takes_the_engine_that_is_in_the_unit_now(
    ask: Callable[..., WorkOrder], planner: Person, engine: Engine
) -> None:
    assert ask(by=planner).engine == engine


def test_the_counter_begins_anew_each_year_in_the_zone_of_the_shop(
    ask: Callable[..., WorkOrder], planner: Person, brackwater: Shop
) -> None:
    Shop.objects.filter(pk=brackwater.pk).update(time_zone="Pacific/Auckland")
    ask(by=planner)
    # 12:30 UTC on New Year's Eve is half past one on 1 January in Auckland.
    assert ask(by=planner, at=datetime(2026, 12, 31, 12, 30, tzinfo=UTC)).number == "BY-2027-0001"


def test_each_shop_counts_for_itself(
    ask: Callable[..., WorkOrder], planner: Person, hire: Callable[..., Person], port_ansel: Shop
) -> None:
    ask(by=planner)
    other = hire(port_ansel, "ansel-planner", "Ansel Planner", roles=("planner",))
    assert ask(by=other).number == "PA-2026-0001"


def test_the_counter_goes_on_past_its_four_digits(ask: Callable[..., WorkOrder], planner: Person) -> None:
    for number in ("BY-2026-9999", "BY-2026-10000"):
        WorkOrder.objects.filter(pk=ask(by=planner).pk).update(number=number)
    assert ask(by=planner).number == "BY-2026-10001"


def test_a_refused_request_uses_up_no_number(
    ask: Callable[..., WorkOrder], planner: Person, at: datetime
) -> None:
    refused(ask, by=planner, needed_by=at)
    assert ask(by=planner).number == "BY-2026-0001"


def test_it_refuses_a_unit_without_an_engine(
    ask: Callable[..., WorkOrder], planner: Person, brackwater: Shop
) -> None:
    empty = Unit.objects.create(number="7013", unit_class="K7", home_shop=brackwater)
    assert refused(ask, by=planner, unit=empty) == ["no-engine"]


def test_it_tells_every_bad_value(ask: Callable[..., WorkOrder], planner: Person) -> None:
    codes = refused(ask, error=BadInput, by=planner, reason="boredom", priority=9)
    assert codes == ["unknown-reason", "unknown-priority"]


def test_it_refuses_a_need_in_the_past(ask: Callable[..., WorkOrder], planner: Person, at: datetime) -> None:
    assert refused(ask, by=planner, needed_by=at - timedelta(seconds=1)) == ["in-the-past"]


def test_only_a_planner_or_manager_requests(ask: Callable[..., WorkOrder], technician: Person) -> None:
    with pytest.raises(WrongPerson, match="Only a planner or shop manager may request a work order"):
        ask(by=technician)
