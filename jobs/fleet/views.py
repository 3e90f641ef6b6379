"""The railway's units and engines: which engine is in which unit since when, and how its timing was found."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Prefetch, Q, QuerySet
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.views.decorators.http import require_GET

from jobs.fleet import queries
from jobs.fleet.models import Engine, EngineType, Installation, Unit
from jobs.people import policies
from jobs.people.models import Shop
from jobs.web import panels
from jobs.web.http import PersonRequest
from jobs.web.lists import csv_answer, page_of, sorted_by

SORTS = {"number": ["number"], "unit_class": ["unit_class", "number"], "home_shop": ["home_shop__name", "number"]}


class UnitFilterForm(forms.Form):
    words = forms.CharField(label="Unit or engine", required=False)
    home_shop = forms.ModelChoiceField(
        label="Home shop", required=False, queryset=Shop.objects.order_by("name"), empty_label="every shop"
    )
    engine_type = forms.ModelChoiceField(
        label="Engine type", required=False, queryset=EngineType.objects.all(), empty_label="every type"
    )


def _with_engine(units: QuerySet[Unit]) -> QuerySet[Unit]:
    now = Installation.objects.filter(until_on__isnull=True).select_related("engine__engine_type")
    return units.select_related("home_shop").prefetch_related(
        Prefetch("installations", queryset=now, to_attr="installed_now")
    )


@require_GET
def units(request: PersonRequest, *, as_csv: bool = False) -> HttpResponseBase:
    """Which unit carries which engine."""
    policies.require(request.user, "see-work")
    form = UnitFilterForm(request.GET)
    rows = _with_engine(Unit.objects.all())
    if form.is_valid():
        rows = _filtered(rows, form.cleaned_data)
    rows = sorted_by(request, rows, SORTS, default="number")
    if as_csv:
        columns = ("unit", "class", "home shop", "engine", "engine type", "installed on")
        return csv_answer("units", columns, (_line(one) for one in rows))
    context = {
        "form": form,
        "page": page_of(request, rows),
        "filtered": any(request.GET.get(name) for name in form.fields),
    }
    return render(request, "fleet/units.html", context)


def _filtered(rows: QuerySet[Unit], wanted: dict[str, Any]) -> QuerySet[Unit]:
    now = Q(installations__until_on__isnull=True)
    if words := wanted["words"]:
        of_engine = Unit.objects.filter(now, installations__engine__serial__icontains=words)
        rows = rows.filter(Q(number__icontains=words) | Q(pk__in=of_engine.values("pk")))
    if wanted["home_shop"]:
        rows = rows.filter(home_shop=wanted["home_shop"])
    if wanted["engine_type"]:
        rows = rows.filter(now, installations__engine__engine_type=wanted["engine_type"])
    return rows


def _line(one: Unit) -> list[Any]:
    installed: list[Installation] = one.installed_now  # type: ignore[attr-defined]
    if not installed:
        return [one.number, one.unit_class, one.home_shop.name, "", "", ""]
    engine = installed[0].engine
    return [
        one.number, one.unit_class, one.home_shop.name, engine.serial, engine.engine_type.code, installed[0].from_on
    ]  # fmt: skip


@require_GET
def unit(request: PersonRequest, pk: int) -> HttpResponse:
    """What is in one unit, and what was done to it here."""
    policies.require(request.user, "see-work")
    one = get_object_or_404(Unit.objects.select_related("home_shop"), pk=pk)
    context = {
        "unit": one,
        "engine": queries.engine_in(one),
        "installations": one.installations.select_related("engine__engine_type"),
        "panels": panels.drawn("unit", one, request),
    }
    return render(request, "fleet/unit.html", context)


@require_GET
def engine(request: PersonRequest, pk: int) -> HttpResponse:
    """How one engine's timing was found and left over its life, and in which units it ran."""
    policies.require(request.user, "see-work")
    one = get_object_or_404(Engine.objects.select_related("engine_type"), pk=pk)
    context = {
        "engine": one,
        "unit": queries.unit_of(one),
        "revision": queries.current_revision(one.engine_type),
        "installations": one.installations.select_related("unit"),
        "panels": panels.drawn("engine", one, request),
    }
    return render(request, "fleet/engine.html", context)
