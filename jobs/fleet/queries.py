"""Reads about units and engines. The fleet is the railway's: every shop may read it."""

from __future__ import annotations

from django.db.models import QuerySet

from jobs.fleet.models import Engine, EngineType, EngineTypeRevision, Installation, Unit


def engine_in(unit: Unit) -> Engine | None:
    """The engine installed in the unit now, or None."""
    installation = (
        Installation.objects.filter(unit=unit, until_on__isnull=True)
        .select_related("engine__engine_type")
        .first()
    )
    return installation.engine if installation else None


def unit_of(engine: Engine) -> Unit | None:
    """The unit in which the engine is installed now, or None."""
    installation = (
        Installation.objects.filter(engine=engine, until_on__isnull=True).select_related("unit").first()
    )
    return installation.unit if installation else None


def current_revision(engine_type: EngineType) -> EngineTypeRevision | None:
    """The newest issued revision, or None when none is issued."""
    return engine_type.revisions.filter(issued_at__isnull=False).order_by("-number").first()


def engines_in_no_unit() -> QuerySet[Engine]:
    """The engines that can be put into a unit, by serial number."""
    installed = Installation.objects.filter(until_on__isnull=True).values("engine")
    return Engine.objects.exclude(pk__in=installed).select_related("engine_type").order_by("serial")
