"""Every write about shift patterns, rotas and days without shifts, each with its ledger entry."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from django.db import models, transaction

from jobs.errors import BadInput, Reason, check_fields, refuse
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.planning.models import Holiday, Rota, ShiftPattern, ShiftSpan
from jobs.planning.rules import calendars as rules
from jobs.planning.shifts import Shift


@transaction.atomic
def add_pattern(
    *, shop: Shop, name: str, weeks: int, shifts: Sequence[Shift], by: Person | System, at: datetime
) -> ShiftPattern:
    """Add a pattern of shifts; raises `BadInput` with the place of every shift that cannot be."""
    _locked(shop, by)
    return _lay_pattern(ShiftPattern(shop=shop), name=name, weeks=weeks, shifts=shifts, by=by, at=at)


@transaction.atomic
def change_pattern(
    pattern: ShiftPattern, *, name: str, weeks: int, shifts: Sequence[Shift], by: Person | System, at: datetime
) -> ShiftPattern:
    """State a pattern anew, for everybody and every place that works it."""
    _locked(pattern.shop, by)
    held = ShiftPattern.objects.select_related("shop").get(pk=pattern.pk)
    rotas = held.rotas.select_related("person")
    refuse(rules.why_not_drop_pattern_weeks(held, weeks, rotas), BadInput)
    return _lay_pattern(held, name=name, weeks=weeks, shifts=shifts, by=by, at=at)


@transaction.atomic
def give_rota(
    person: Person,
    *,
    pattern: ShiftPattern,
    valid_from: date,
    valid_until: date | None = None,
    first_week: int = 1,
    by: Person | System,
    at: datetime,
) -> Rota:
    """Let a person work a pattern from a day until a day; raises `BadInput` for an overlap with another rota."""
    _locked(person.shop, by)
    rota = Rota(person=person)
    return _lay_rota(
        rota, pattern=pattern, valid_from=valid_from, valid_until=valid_until, first_week=first_week, by=by, at=at
    )


@transaction.atomic
def change_rota(
    rota: Rota,
    *,
    pattern: ShiftPattern,
    valid_from: date,
    valid_until: date | None = None,
    first_week: int = 1,
    by: Person | System,
    at: datetime,
) -> Rota:
    """State a rota anew."""
    _locked(rota.person.shop, by)
    held = Rota.objects.select_related("person__shop").get(pk=rota.pk)
    return _lay_rota(
        held, pattern=pattern, valid_from=valid_from, valid_until=valid_until, first_week=first_week, by=by, at=at
    )


@transaction.atomic
def take_rota_away(rota: Rota, *, by: Person | System, at: datetime) -> None:
    """Take a rota away that should not have been given; the history keeps that it was there."""
    _locked(rota.person.shop, by)
    sentence = f"{rota.person.name} works {rota.pattern.name} {rules.period(rota)} no longer."
    about = [rota.person, *policies.acting(by)]
    _record("rota.changed", rota.person.shop, sentence, about, _rota_data(rota) | {"taken_away": True}, by=by, at=at)
    rota.delete()


@transaction.atomic
def add_holiday(*, shop: Shop, day: date, name: str, by: Person | System, at: datetime) -> Holiday:
    """Add a day on which no shift begins."""
    _locked(shop, by)
    return _lay_holiday(Holiday(shop=shop), day=day, name=name, by=by, at=at)


@transaction.atomic
def change_holiday(holiday: Holiday, *, day: date, name: str, by: Person | System, at: datetime) -> Holiday:
    """Move or rename a day without shifts."""
    _locked(holiday.shop, by)
    held = Holiday.objects.select_related("shop").get(pk=holiday.pk)
    return _lay_holiday(held, day=day, name=name, by=by, at=at)


@transaction.atomic
def take_holiday_away(holiday: Holiday, *, by: Person | System, at: datetime) -> None:
    """Let shifts begin on a day again."""
    _locked(holiday.shop, by)
    sentence = f"{rules.words(holiday.day)} ({holiday.name}) has shifts again."
    data = {"day": holiday.day.isoformat(), "name": holiday.name, "taken_away": True}
    _record("holiday.changed", holiday.shop, sentence, policies.acting(by), data, by=by, at=at)
    holiday.delete()


def _lay_pattern(
    pattern: ShiftPattern, *, name: str, weeks: int, shifts: Sequence[Shift], by: Person | System, at: datetime
) -> ShiftPattern:
    pattern.name, pattern.weeks = name.strip(), weeks
    refuse(rules.why_not_shifts(shifts, weeks), BadInput)
    if pattern.shop.shift_patterns.filter(name=pattern.name).exclude(pk=pattern.pk).exists():
        raise BadInput([Reason("name-taken", f"There is a pattern {pattern.name} already.", "name")])
    check_fields(pattern)
    new = pattern.pk is None
    pattern.save()
    pattern.spans.all().delete()
    ShiftSpan.objects.bulk_create(
        ShiftSpan(pattern=pattern, week=one.week, weekday=one.weekday, starts=one.starts, minutes=one.minutes)
        for one in shifts
    )
    shown = [{"place": rules.place_of(one), "minutes": one.minutes} for one in shifts]
    said = f"{rules.counted(len(shifts), 'shift')} over {rules.counted(weeks, 'week')}"
    sentence = f"Shift pattern {pattern.name} {'added' if new else 'changed'}: {said}."
    data = {"name": pattern.name, "weeks": weeks, "shifts": shown}
    _record("pattern.changed", pattern.shop, sentence, [pattern, *policies.acting(by)], data, by=by, at=at)
    return pattern


def _lay_rota(
    rota: Rota,
    *,
    pattern: ShiftPattern,
    valid_from: date,
    valid_until: date | None,
    first_week: int,
    by: Person | System,
    at: datetime,
) -> Rota:
    rota.pattern, rota.first_week = pattern, first_week
    rota.valid_from, rota.valid_until = valid_from, valid_until
    others = rota.person.rotas.exclude(pk=rota.pk).select_related("pattern")
    refuse(rules.why_not_rota(rota, others, weeks=pattern.weeks), BadInput)
    check_fields(rota)
    rota.save()
    sentence = f"{rota.person.name} works {pattern.name} {rules.period(rota)}, beginning in its week {first_week}."
    about = [rota.person, pattern, *policies.acting(by)]
    _record("rota.changed", rota.person.shop, sentence, about, _rota_data(rota), by=by, at=at)
    return rota


def _rota_data(rota: Rota) -> dict[str, Any]:
    return {
        "pattern": rota.pattern.name,
        "valid_from": rota.valid_from.isoformat(),
        "valid_until": rota.valid_until.isoformat() if rota.valid_until else None,
        "first_week": rota.first_week,
    }


def _lay_holiday(holiday: Holiday, *, day: date, name: str, by: Person | System, at: datetime) -> Holiday:
    others = holiday.shop.holidays.exclude(pk=holiday.pk).values_list("day", flat=True)
    refuse(rules.why_not_holiday(day, others), BadInput)
    holiday.day, holiday.name = day, name.strip()
    check_fields(holiday)
    holiday.save()
    sentence = f"No shift begins on {rules.words(day)} ({holiday.name})."
    data = {"day": day.isoformat(), "name": holiday.name}
    _record("holiday.changed", holiday.shop, sentence, policies.acting(by), data, by=by, at=at)
    return holiday


def _locked(shop: Shop, by: Person | System) -> None:
    """The shop's row is locked: two who give overlapping rotas at once must not both succeed."""
    Shop.objects.select_for_update().get(pk=shop.pk)
    policies.require(by, "keep-calendars")
    policies.require_shop(by, shop)


def _record(
    kind: str,
    shop: Shop,
    sentence: str,
    about: Sequence[models.Model],
    data: dict[str, Any],
    *,
    by: Person | System,
    at: datetime,
) -> None:
    ledger.append(kind, chain=shop.code, by=by, at=at, sentence=sentence, about=about, data=data)
