"""What comes out of the plan: each person's day, the load of the coming weeks, promise against reality."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET

from jobs.people import policies
from jobs.people.models import Person
from jobs.planning import day as days
from jobs.planning import kept, load
from jobs.planning.forms.out import DayForm, WeeksForm
from jobs.web.http import PersonRequest
from jobs.web.lists import csv_answer

LOAD_COLUMNS = ("kind", "name", "week from", "hours booked", "hours there", "percent", "hours booked while not there")
PROMISE_COLUMNS = ("order", "unit", "first promised", "promised", "closed", "hours late", "why")
DAYS_APART = 3660


@require_GET
def day(request: PersonRequest) -> HttpResponse:
    """What each person does on a day; one's own work first."""
    policies.require(request.user, "see-plan")
    today = request.user.shop.today()
    form = DayForm(request.user, request.GET)
    form.is_valid()
    on: date = form.cleaned_data.get("on") or today
    if abs((on - today).days) > DAYS_APART:
        on = today
    who: Person | None = form.cleaned_data.get("who")
    found = days.of_shop(request.user, on, who=who.pk if who is not None else None)
    if form.is_valid():  # the day that is shown stands in the field, whether it was asked for or not
        form = DayForm(request.user, {"on": on.isoformat(), "who": who.pk if who is not None else ""})
    context = {"form": form, "day": found, "today": today, "who": who, "now": timezone.now()}
    return render(request, "planning/day.html", context)


@require_GET
def load_of_weeks(request: PersonRequest, *, as_csv: bool = False) -> HttpResponseBase:
    """How far bays, people and instruments are booked in the coming weeks."""
    policies.require(request.user, "see-plan")
    form = WeeksForm(request.GET)
    weeks = (form.cleaned_data.get("weeks") if form.is_valid() else None) or load.WEEKS
    if form.is_valid():  # how many are shown stands in the field, asked for or not
        form = WeeksForm({"weeks": weeks})
    found = load.of_shop(request.user, request.user.shop.today(), weeks=weeks)
    if as_csv:
        return csv_answer(f"{request.user.shop.code}-load", LOAD_COLUMNS, _load_lines(found))
    groups = [(title, some, load.drawn(some, found.weeks)) for title, some in found.groups()]
    context = {"form": form, "load": found, "groups": groups, "today": request.user.shop.today()}
    return render(request, "planning/load.html", context)


def _load_lines(found: load.Load) -> Iterable[list[Any]]:
    for one in found.loaded:
        for share in one.shares:
            percent = None if share.percent is None else round(share.percent, 1)
            yield [one.group, one.name, share.week.isoformat(), round(share.hours_booked, 2),
                   round(share.hours_there, 2), percent, round(share.hours_outside, 2)]  # fmt: skip


@require_GET
def promises(request: PersonRequest, *, as_csv: bool = False) -> HttpResponseBase:
    """Which promises were kept, and why the others were not."""
    policies.require(request.user, "see-plan")
    form = WeeksForm(request.GET)
    weeks = (form.cleaned_data.get("weeks") if form.is_valid() else None) or kept.WEEKS
    if form.is_valid():
        form = WeeksForm({"weeks": weeks})
    shop, today = request.user.shop, request.user.shop.today()
    found = kept.of_shop(request.user, today, weeks=weeks)
    if as_csv:
        return csv_answer(f"{shop.code}-promises", PROMISE_COLUMNS, (_promise_line(one) for one in found))
    context = {
        "form": form,
        "found": found,
        "open_late": kept.still_open(request.user, timezone.now()),
        "without": sum(not one.promises for one in found),
        "weeks": kept.weekly(found, shop, today, weeks=weeks),
        "causes": kept.causes(found),
        "today": today,
    }
    return render(request, "planning/promises.html", context)


def _promise_line(one: kept.Kept) -> list[Any]:
    why = "; ".join(f"{part.what}: {part.hours:.1f} h" for part in one.parts)
    return [
        one.order.number,
        one.order.unit.number,
        _local(one.promises[0]) if one.promises else "",
        _local(one.promised_at) if one.promised_at else "",
        _local(one.closed_at),
        None if one.hours_late is None else round(one.hours_late, 2),
        why,
    ]


def _local(at: Any) -> str:
    return f"{timezone.localtime(at):%Y-%m-%dT%H:%M%z}"
