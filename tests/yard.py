"""A shop that can be planned with: two bays, early and late shifts, six work orders on units of its fleet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import pytest

from jobs.fleet.models import Engine, EngineTypeRevision, Installation, Unit
from jobs.ledger.actions import System
from jobs.orders import actions as orders
from jobs.orders.models import ProcedureRevision, WorkOrder
from jobs.people.models import Person, Shop
from jobs.planning.actions import calendars, places
from jobs.planning.models import Place, Plan
from jobs.planning.shifts import Shift
from jobs.tooling.models import Instrument
from tests.prepared import prepared

BY = System()
MONDAY = date(2026, 3, 16)


@dataclass
class Yard:
    """What the tests of plans name: the bays, and the orders by their unit."""

    shop: Shop
    bays: list[Place]
    orders: dict[str, WorkOrder]
    planner: Person
    at: datetime


@pytest.fixture
@prepared
def yard(
    brackwater: Shop,
    planner: Person,
    technician: Person,
    technician2: Person,
    inspector: Person,
    instruments: dict[str, Instrument],
    calibrated: Callable[..., Instrument],
    hire: Callable[..., Person],
    engine_type_revision: EngineTypeRevision,
    procedure_revision: ProcedureRevision,
    at: datetime,
) -> Yard:
    calibrated("PR-09", "probe")
    calibrated("EN-04", "encoder")
    calibrated("TW-12", "torque-wrench")
    bays = [
        places.add_place(shop=brackwater, kind="bay", name=f"Bay {number}", by=BY, at=at) for number in (1, 2)
    ]
    early = calendars.add_pattern(
        shop=brackwater, name="Early", weeks=1, shifts=[Shift(1, day, time(6), 480) for day in range(5)], by=BY, at=at
    )
    late = calendars.add_pattern(
        shop=brackwater, name="Late", weeks=1, shifts=[Shift(1, day, time(14), 480) for day in range(5)], by=BY, at=at
    )
    second = hire(
        brackwater, "inspector2", "Ida Inspector", roles=("inspector",), skills_held=("perform-timing", "verify-timing")
    )
    for who, pattern in ((technician, early), (technician2, late), (inspector, early), (second, late)):
        calendars.give_rota(who, pattern=pattern, valid_from=MONDAY, by=BY, at=at)
    made = {}
    for number, (name, priority, days) in enumerate(
        [("7003", 1, 1), ("7005", 2, 1), ("7012", 3, 2), ("4107", 3, 3), ("4111", 2, 3), ("7019", 3, 9)]
    ):
        unit = Unit.objects.create(number=name, unit_class="K7", home_shop=brackwater)
        engine = Engine.objects.create(serial=f"9-{number}", engine_type=engine_type_revision.engine_type)
        Installation.objects.create(engine=engine, unit=unit, from_on=date(2021, 5, 3))
        made[name] = orders.request_order(
            unit=unit, procedure=procedure_revision.procedure, reason="overhaul", priority=priority,
            needed_by=at + timedelta(days=days), by=planner, at=at,
        )  # fmt: skip
    return Yard(brackwater, bays, made, planner, at)


@pytest.fixture
def plan_now(yard: Yard, run_errands: Callable[[], int]) -> Callable[..., Plan]:
    """`plan_now(at=…, title=…)`: ask, let the worker make it, accept the alternative of that title or the first."""
    from jobs.planning.actions import plans

    def make(at: datetime | None = None, title: str = "") -> Plan:
        when = at or yard.at
        asked = plans.ask_plan(seconds=0.4, by=yard.planner, at=when)
        run_errands()
        asked.refresh_from_db()
        assert asked.failure == ""
        found = asked.plans.filter(title=title) if title else asked.plans.order_by("pk")
        return plans.accept_plan(found[0], by=yard.planner, at=when)

    return make
