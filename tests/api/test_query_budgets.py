"""Each list asks the database as often for 500 rows of 1000 as for 10, and not more often than it says here."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.errands.models import Errand
from jobs.fleet.models import Engine, EngineType, Installation, Unit
from jobs.ledger.models import Chain, Entry, Subject
from jobs.orders.models import Analysis, Finding, OrderStep, Trace, TraceBytes, WorkOrder
from jobs.people.models import Person, Qualification, RoleGrant, Skill
from jobs.planning.models import Absence, Holiday, Place, Plan, Planning, Rota, ShiftPattern, ShiftSpan
from jobs.signoffs.models import JobCard, SignOff, Voiding
from jobs.tooling.models import Calibration, Instrument
from tests.api.conftest import Caller

# Of these, three find out who asks and what they may: token with person, shop, roles; one counts the rows.
BUDGETS = {
    "orders/": 5,
    "procedures/": 6,
    "findings/": 5,
    "traces/": 6,
    "signoffs/": 5,
    "cards/": 5,
    "instruments/": 5,
    "calibrations/": 5,
    "units/": 7,
    "engines/": 7,
    "engine-types/": 6,
    "people/": 8,
    "absences/": 5,
    "places/": 5,
    "shift-patterns/": 6,
    "rotas/": 5,
    "days-without-shifts/": 5,
    "plans/": 5,
    "plannings/": 7,
    "errands/": 5,
    "history/": 6,
}


@pytest.fixture
def fill(in_work: WorkOrder, instruments: dict[str, Instrument], skills: dict[str, Skill], at: datetime) -> Any:
    """`fill(n)`: n more of everything in the shop of the order."""
    return Filler(in_work, instruments, skills["perform-timing"], at)


class Filler:
    def __init__(self, order: WorkOrder, instruments: dict[str, Instrument], skill: Skill, at: datetime) -> None:
        self.order, self.instruments, self.skill, self.at = order, instruments, skill, at
        self.step = OrderStep.objects.get(work_order=order, position=7)
        self.made = 0

    def __call__(self, n: int) -> None:
        numbers = range(self.made, self.made + n)
        self.made += n
        made = (self.fleet, self.orders, self.traces, self.signoffs, self.tooling, self.people, self.planning)
        for fill in (*made, self.ledger):
            fill(numbers)

    def fleet(self, numbers: range) -> None:
        shop = self.order.shop
        types = EngineType.objects.bulk_create(EngineType(code=f"T{n}", title="t") for n in numbers)
        units = Unit.objects.bulk_create(Unit(number=f"U{n}", unit_class="K7", home_shop=shop) for n in numbers)
        engines = Engine.objects.bulk_create(
            Engine(serial=f"S{n}", engine_type=one) for n, one in zip(numbers, types, strict=True)
        )
        Installation.objects.bulk_create(
            Installation(engine=engine, unit=unit, from_on=date(2024, 1, 1))
            for engine, unit in zip(engines, units, strict=True)
        )
        self.units, self.engines = units, engines

    def orders(self, numbers: range) -> None:
        first = self.order
        orders = WorkOrder.objects.bulk_create(
            WorkOrder(
                shop=first.shop, number=f"BY-2025-{n}", unit=unit, engine=engine, procedure=first.procedure,
                reason="overhaul", state="closed", technician=first.technician, inspector=first.inspector,
                requested_by=first.requested_by, engine_type_revision=first.engine_type_revision,
                procedure_revision=first.procedure_revision,
            )
            for n, unit, engine in zip(numbers, self.units, self.engines, strict=True)
        )  # fmt: skip
        Finding.objects.bulk_create(
            Finding(work_order=one, number=1, kind="observation", text="x", raised_by=first.technician)
            for one in orders
        )
        JobCard.objects.bulk_create(
            JobCard(
                work_order=one, shop=one.shop, number=1, token=f"token {one.pk}", sha256="0" * 64, size_bytes=1,
                content_sha256="0" * 64, certificate_sha256="0" * 64, order_state="closed",
            )
            for one in orders
        )  # fmt: skip
        Errand.objects.bulk_create(
            Errand(kind="render-card", once_key=f"render-card:{n}", chain=first.shop.code) for n in numbers
        )

    def traces(self, numbers: range) -> None:
        probe, encoder = self.instruments["probe"], self.instruments["encoder"]
        kept = TraceBytes.objects.bulk_create(TraceBytes(sha256=f"{n:064d}", size_bytes=1) for n in numbers)
        traces = Trace.objects.bulk_create(
            Trace(
                work_order=self.order, step=self.step, stage="as-found", bytes=one, filename="x.csv",
                probe=probe, probe_calibration=probe.calibrations.first(), encoder=encoder,
                encoder_calibration=encoder.calibrations.first(), uploaded_by=self.order.technician,
                uploaded_at=self.at,
            )
            for one in kept
        )  # fmt: skip
        Analysis.objects.bulk_create(
            Analysis(
                trace=one, number=number, outcome="result", verdict="no-result", result={}, spec={},
                spec_sha256="0" * 64, calibrations={}, analysis_version="t", input_sha256=f"{number:064d}",
                made_at=self.at,
            )
            for one in traces
            for number in (1, 2)
        )  # fmt: skip

    def signoffs(self, numbers: range) -> None:
        signer = self.order.technician
        made = SignOff.objects.bulk_create(
            SignOff(
                work_order=self.order, step=self.step, meaning="hold-point", statement="x", signer=signer,
                signer_name="Tom", skill_code="x", signed_at=self.at, content_sha256="0" * 64, document="{}",
                document_sha256="0" * 64,
            )
            for n in numbers
        )  # fmt: skip
        Voiding.objects.bulk_create(Voiding(signoff=one, at=self.at, by_name="Tom", what="x") for one in made)

    def tooling(self, numbers: range) -> None:
        made = Instrument.objects.bulk_create(
            Instrument(shop=self.order.shop, asset_number=f"SL-{n}", kind="sling") for n in numbers
        )
        Calibration.objects.bulk_create(
            Calibration(
                instrument=one, performed_on=date(2026, 1, 1), performed_by="x", certificate="c",
                as_found="conforming", as_left="conforming", valid_until=date(2027, 1, 1),
                recorded_by=self.order.technician,
            )
            for one in made
        )  # fmt: skip

    def people(self, numbers: range) -> None:
        made = Person.objects.bulk_create(
            Person(username=f"p{n}", name=f"Person {n}", shop=self.order.shop) for n in numbers
        )
        RoleGrant.objects.bulk_create(
            RoleGrant(person=one, role="technician", valid_from=date(2024, 1, 1)) for one in made
        )
        Qualification.objects.bulk_create(
            Qualification(person=one, skill=self.skill, valid_from=date(2024, 1, 1)) for one in made
        )

    def planning(self, numbers: range) -> None:
        shop, who = self.order.shop, self.order.technician
        assert who is not None
        days = {n: date(2027, 1, 1) + timedelta(days=n) for n in numbers}
        patterns = ShiftPattern.objects.bulk_create(ShiftPattern(shop=shop, name=f"Pattern {n}") for n in numbers)
        ShiftSpan.objects.bulk_create(
            ShiftSpan(pattern=one, weekday=0, starts=time(6), minutes=480) for one in patterns
        )
        Place.objects.bulk_create(
            Place(shop=shop, name=f"Bay {n}", pattern=one) for n, one in zip(numbers, patterns, strict=True)
        )
        Rota.objects.bulk_create(
            Rota(person=who, pattern=one, valid_from=days[n]) for n, one in zip(numbers, patterns, strict=True)
        )
        Holiday.objects.bulk_create(Holiday(shop=shop, day=day, name="x") for day in days.values())
        Absence.objects.bulk_create(
            Absence(shop=shop, person=who, starts_at=self.at + timedelta(days=n), entered_by=who) for n in numbers
        )
        asked = Planning.objects.bulk_create(
            Planning(shop=shop, purpose="plan", asked_by=who, asked_at=self.at) for _ in numbers
        )
        Plan.objects.bulk_create(
            Plan(shop=shop, planning=one, title="x", problem={}, plan={}, version=1000 + n, accepted_by=who,
                 accepted_at=self.at)
            for n, one in zip(numbers, asked, strict=True)
        )  # fmt: skip

    def ledger(self, numbers: range) -> None:
        head = Chain.objects.get(code=self.order.shop.code)
        made = Entry.objects.bulk_create(
            Entry(
                chain=head, number=1000 + n, kind="unit.added", at=self.at, actor_name="x", sentence="x",
                body='{"data": {}}', hash="0" * 64,
            )
            for n in numbers
        )  # fmt: skip
        Subject.objects.bulk_create(Subject(entry=one, type="fleet.unit", key="1", at=self.at) for one in made)


def queries_of(caller: Caller, path: str) -> tuple[int, int]:
    """How many rows are on the page, and how many queries that took."""
    with CaptureQueriesContext(connection) as captured:
        found = caller.read(path, page_size=500).json()
    return len(found["results"]), len(captured)


def test_no_list_asks_more_often_for_more_rows(as_auditor: Caller, fill: Callable[[int], None]) -> None:
    fill(10)
    few = {path: queries_of(as_auditor, path) for path in BUDGETS}
    fill(990)
    many = {path: queries_of(as_auditor, path) for path in BUDGETS}
    short = {path for path, (rows, _) in many.items() if rows < 500}
    assert short == {"procedures/"}
    assert {path: count for path, (_, count) in many.items()} == {path: count for path, (_, count) in few.items()}
    over = {path: count for path, (_, count) in many.items() if count > BUDGETS[path]}
    assert not over


def test_the_steps_of_an_order_cost_the_same_however_much_is_recorded(
    as_auditor: Caller, in_work: WorkOrder, fill: Filler
) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert as_auditor.read(f"orders/{in_work.pk}/steps/").status_code == 200
        return len(captured)

    fill(1)
    few = count()
    fill(50)
    assert count() == few <= 18


def test_every_list_has_a_budget() -> None:
    from shopapp.api import router

    assert {prefix + "/" for prefix, _, _ in router.registry} == set(BUDGETS)
