"""Every write about units and engines, each with its ledger entry in the same transaction.

The fleet is the railway's: any shop that has the unit before it may record what it did, in its own ledger.
"""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction

from jobs.errors import check_fields, refuse
from jobs.fleet import rules
from jobs.fleet.models import Engine, EngineType, EngineTypeRevision, Installation, Unit
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.ledger.chain import canonical
from jobs.people import policies
from jobs.people.models import Person, Shop


@transaction.atomic
def add_unit(*, number: str, unit_class: str, home_shop: Shop, by: Person | System, at: datetime) -> Unit:
    """Add a locomotive by its running number, at home in a shop."""
    _allowed(by, home_shop)
    unit = Unit(number=number.strip(), unit_class=unit_class.strip(), home_shop=home_shop)
    check_fields(unit)
    unit.save()
    ledger.append(
        "unit.added",
        chain=home_shop.code,
        by=by,
        at=at,
        sentence=f"Unit {unit.number} of class {unit.unit_class} added.",
        about=[unit, *policies.acting(by)],
        data={"number": unit.number, "class": unit.unit_class},
    )
    return unit


@transaction.atomic
def add_engine(
    *, serial: str, engine_type: EngineType, by: Person | System, at: datetime, shop: Shop
) -> Engine:
    """Add an engine by its serial number; it is in no unit yet."""
    _allowed(by, shop)
    engine = Engine(serial=serial.strip(), engine_type=engine_type)
    check_fields(engine)
    engine.save()
    ledger.append(
        "engine.added",
        chain=shop.code,
        by=by,
        at=at,
        sentence=f"Engine {engine.serial} of type {engine_type.code} added.",
        about=[engine, *policies.acting(by)],
        data={"serial": engine.serial, "engine_type": engine_type.code},
    )
    return engine


@transaction.atomic
def install_engine(
    engine: Engine, *, unit: Unit, from_on: date, by: Person | System, at: datetime, shop: Shop
) -> Installation:
    """Record that an engine was put into a unit on a day."""
    _allowed(by, shop)
    engine = Engine.objects.select_for_update().get(pk=engine.pk)
    unit = Unit.objects.select_for_update().get(pk=unit.pk)
    newest = Installation.objects.select_related("engine", "unit").order_by("-from_on", "-pk")
    refuse(
        rules.why_not_install(
            engine,
            unit,
            from_on=from_on,
            today=at.astimezone(shop.zone).date(),
            of_engine=newest.filter(engine=engine).first(),
            of_unit=newest.filter(unit=unit).first(),
        )
    )
    installation = Installation.objects.create(engine=engine, unit=unit, from_on=from_on, recorded_at=at)
    ledger.append(
        "engine.installed",
        chain=shop.code,
        by=by,
        at=at,
        sentence=f"Engine {engine.serial} installed in unit {unit.number} on {from_on.isoformat()}.",
        about=[engine, unit, *policies.acting(by)],
        data={"engine": engine.serial, "unit": unit.number, "from_on": from_on.isoformat()},
    )
    return installation


@transaction.atomic
def remove_engine(
    engine: Engine, *, until_on: date, by: Person | System, at: datetime, shop: Shop
) -> Installation:
    """Record that an engine was taken out of its unit on a day."""
    _allowed(by, shop)
    engine = Engine.objects.select_for_update().get(pk=engine.pk)
    installation = (
        Installation.objects.filter(engine=engine, until_on__isnull=True).select_related("unit").first()
    )
    today = at.astimezone(shop.zone).date()
    refuse(rules.why_not_remove(engine, installation, until_on=until_on, today=today))
    assert installation is not None
    unit, installation.until_on = installation.unit, until_on
    installation.save(update_fields=["until_on"])
    ledger.append(
        "engine.removed",
        chain=shop.code,
        by=by,
        at=at,
        sentence=f"Engine {engine.serial} removed from unit {unit.number} on {until_on.isoformat()}.",
        about=[engine, unit, *policies.acting(by)],
        data={"engine": engine.serial, "unit": unit.number, "until_on": until_on.isoformat()},
    )
    return installation


@transaction.atomic
def issue_engine_type(revision: EngineTypeRevision, *, by: Person | System, at: datetime, shop: Shop) -> None:
    """Issue a drafted revision: from now on new work is released with it, and it never changes again."""
    policies.require(by, "keep-procedures")
    engine_type = EngineType.objects.select_for_update().get(pk=revision.engine_type_id)
    revision.refresh_from_db()
    issued = engine_type.revisions.filter(issued_at__isnull=False).order_by("-number").first()
    refuse(rules.why_not_issue(revision, newest_issued=issued.number if issued else 0))
    revision.issued_at = at
    revision.issued_by = by if isinstance(by, Person) else None
    revision.save(update_fields=["issued_at", "issued_by"])
    ledger.append(
        "engine-type.issued",
        chain=shop.code,
        by=by,
        at=at,
        sentence=f"{revision.title} issued.",
        about=[revision, *policies.acting(by)],
        data={
            "engine_type": engine_type.code,
            "revision": revision.number,
            "spec": canonical(revision.spec).decode("utf-8"),
            "hysteresis_limit_deg": str(revision.hysteresis_limit_deg),
            "change_note": revision.change_note,
        },
    )


def _allowed(by: Person | System, shop: Shop) -> None:
    policies.require(by, "keep-fleet")
    policies.require_shop(by, shop)
