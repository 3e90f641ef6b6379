"""Load the invented railway through the actions, once; a second time it finds everything there."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

from django.contrib.auth.hashers import make_password
from django.db import transaction

from jobs.fleet import actions as fleet
from jobs.fleet.models import EngineType, EngineTypeRevision, Unit
from jobs.ledger import actions as ledger
from jobs.orders import actions as orders
from jobs.orders.models import Procedure, ProcedureRevision, ProcedureStep, WorkOrder
from jobs.people import actions as people
from jobs.people.models import Person, Shop, Skill
from jobs.tooling import actions as tooling
from jobs.tooling.models import Instrument
from shopapp.demo import facts, procedure, railway

SET_UP = ledger.System("Midflank set-up")
PROCEDURE = "re-time"


@transaction.atomic
def load(at: datetime) -> None:
    """Load shops, people, fleet, instruments, procedure, bays, shifts and a few requests."""
    today = at.date()
    shops = _shops()
    _people(shops, today, at)
    _engine_types(shops["BY"], at)
    _fleet(shops, today, at)
    _instruments(shops, today, at)
    _procedure(shops["BY"], at)
    for shop in shops.values():
        facts.load(shop, at, by=SET_UP)
    for shop in shops.values():
        _requests(shop, at)


def _shops() -> dict[str, Shop]:
    found = {}
    for code, name in railway.SHOPS:
        defaults = {"name": name, "railway": railway.RAILWAY, "time_zone": railway.TIME_ZONE, "is_demo": True}
        found[code], _ = Shop.objects.get_or_create(code=code, defaults=defaults)
    return found


def _people(shops: dict[str, Shop], today: date, at: datetime) -> None:
    skills = {}
    for code, title in railway.SKILLS:
        skills[code], _ = Skill.objects.get_or_create(code=code, defaults={"title": title})
    since, until = today - timedelta(days=400), today + timedelta(days=330)
    # One published password for all, hashed once: a hash takes a quarter of a second, as it should.
    hashed = make_password(railway.PASSWORD)
    for username, name, shop, role, held in railway.PEOPLE:
        if Person.objects.filter(username=username).exists():
            continue
        person = people.add_person(
            username=username,
            name=name,
            shop=shops[shop],
            password=railway.PASSWORD,
            hashed=hashed,
            roles=[role],
            by=SET_UP,
            at=at,
        )
        for code in held:
            people.grant_qualification(
                person,
                skill=skills[code],
                valid_from=since,
                valid_until=until,
                evidence="demo record",
                by=SET_UP,
                at=at,
            )


def _engine_types(shop: Shop, at: datetime) -> None:
    for wanted in railway.ENGINE_TYPES:
        fields = dict(wanted)
        engine_type, made = EngineType.objects.get_or_create(
            code=fields.pop("code"), defaults={"title": fields.pop("title")}
        )
        if made:
            revision = EngineTypeRevision.objects.create(engine_type=engine_type, number=1, **fields)
            fleet.issue_engine_type(revision, by=SET_UP, at=at, shop=shop)


def _fleet(shops: dict[str, Shop], today: date, at: datetime) -> None:
    types = {engine_type.code: engine_type for engine_type in EngineType.objects.all()}
    for count, (number, unit_class, home, code) in enumerate(railway.units(), start=1):
        if Unit.objects.filter(number=number).exists():
            continue
        shop = shops[home]
        unit = fleet.add_unit(number=number, unit_class=unit_class, home_shop=shop, by=SET_UP, at=at)
        serial = f"{code}-{2000 + count * 7}"
        engine = fleet.add_engine(serial=serial, engine_type=types[code], by=SET_UP, at=at, shop=shop)
        installed = today - timedelta(days=200 + 37 * (count % 11))
        fleet.install_engine(engine, unit=unit, from_on=installed, by=SET_UP, at=at, shop=shop)


def _instruments(shops: dict[str, Shop], today: date, at: datetime) -> None:
    keeper = Person.objects.get(username="keeper")
    for number, kind, home, (low, high), unit, days_ago, days_valid in railway.INSTRUMENTS:
        if Instrument.objects.filter(asset_number=number).exists():
            continue
        instrument = tooling.add_instrument(
            shop=shops[home],
            asset_number=number,
            kind=kind,
            range_low=low,
            range_high=high,
            range_unit=unit,
            by=SET_UP,
            at=at,
        )
        performed = today - timedelta(days=days_ago)
        tooling.record_calibration(
            instrument,
            performed_on=performed,
            performed_by="Strathlune measuring room",
            certificate=f"MR-{performed:%y%m}-{number}",
            as_found="conforming",
            as_left="conforming",
            valid_until=performed + timedelta(days=days_valid),
            note="Demo data.",
            by=keeper if home == "BY" else SET_UP,
            at=at,
        )


def _procedure(shop: Shop, at: datetime) -> None:
    found, made = Procedure.objects.get_or_create(code=PROCEDURE, defaults={"title": "Re-time an engine"})
    if not made:
        return
    revision = ProcedureRevision.objects.create(procedure=found, number=1, change_note="Demo procedure.")
    skills = {skill.code: skill for skill in Skill.objects.all()}
    for position, (phase, kind, title, instruction, more) in enumerate(procedure.STEPS, start=1):
        fields: dict[str, Any] = dict(more)
        skill = skills[fields.pop("skill", "perform-timing")]
        ProcedureStep.objects.create(
            revision=revision,
            position=position,
            phase=phase,
            kind=kind,
            title=title,
            instruction=instruction,
            skill=skill,
            **fields,
        )
    orders.issue_procedure(revision, by=SET_UP, at=at, shop=shop)


REQUESTS = {
    "BY": [
        ("K7 7003", "ring-disturbed", "Ring taken off to reach the rear seal.", 1, 1),
        ("R4 4107", "uneven-running", "Exhaust of 3 and 6 hotter than the rest by 60 °C.", 2, 2),
        ("K7 7012", "parts-renewed", "Cam gear renewed on bank A.", 3, 4),
        ("K7 7019", "sensor-fault", "Lost synchronisation twice this week.", 2, 3),
        ("R4 4111", "overhaul", "", 3, 9),
        ("K7 7006", "sensor-fault", "Speed signal drops out above notch 6.", 1, 1),
        ("R4 4108", "ring-disturbed", "Ring knocked while the coupling was out.", 2, 3),
        ("K7 7008", "parts-renewed", "Idler renewed on bank B.", 2, 4),
        ("K7 7018", "uneven-running", "Smoke under load, cylinder B3.", 2, 5),
        ("R4 4110", "parts-renewed", "Camshaft section of 5 to 8 renewed.", 3, 6),
        ("K7 7020", "overhaul", "", 3, 7),
        ("K7 7015", "ring-disturbed", "", 2, 7),
        ("R4 4113", "sensor-fault", "Lost synchronisation at start.", 1, 2),
        ("K7 7023", "uneven-running", "Exhaust of bank A 45 °C above bank B.", 3, 10),
        ("K7 7021", "overhaul", "", 3, 12),
        ("R4 4115", "overhaul", "", 3, 13),
        ("K7 7022", "parts-renewed", "Cam gear renewed on bank B.", 3, 14),
    ],
    "PA": [("K7 7031", "overhaul", "", 3, 6), ("R4 4102", "ring-disturbed", "", 2, 2)],
}


def _requests(shop: Shop, at: datetime) -> None:
    if WorkOrder.objects.filter(shop=shop).exists():
        return
    planner = Person.objects.get(shop=shop, grants__role="planner")
    wanted = Procedure.objects.get(code=PROCEDURE)
    for number, reason, note, priority, days in REQUESTS[shop.code]:
        orders.request_order(
            unit=Unit.objects.get(number=number),
            procedure=wanted,
            reason=reason,
            reason_note=note,
            priority=priority,
            needed_by=at + timedelta(days=days),
            by=planner,
            at=at,
        )
