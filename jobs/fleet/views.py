"""The railway's units and engines: which engine is in which unit since when, and how its timing was found."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Prefetch, Q, QuerySet
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.errors import Reason
from jobs.fleet import actions, queries
from jobs.fleet.forms import AddEngineForm, AddUnitForm, InstallForm, RemoveForm
from jobs.fleet.models import Engine, EngineType, Installation, Unit
from jobs.people import policies
from jobs.people.models import Shop
from jobs.web import panels
from jobs.web.http import PersonRequest
from jobs.web.lists import csv_answer, page_of, sorted_by

NONE_FREE = Reason("no-free-engine", "Every engine on record is in a unit. Add one, or record a removal first.")
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


@require_http_methods(["GET", "POST"])
def unit_new(request: PersonRequest) -> HttpResponse:
    """Add a locomotive, at home in this shop."""
    policies.require(request.user, "keep-fleet")
    form = AddUnitForm(request.POST if request.method == "POST" else None)
    shop = request.user.shop
    if request.method == "POST" and form.carried_out(
        actions.add_unit, home_shop=shop, by=request.user, at=timezone.now()
    ):
        messages.success(request, f"Unit {form.outcome.number} added. Record which engine is in it.")
        return redirect("unit", pk=form.outcome.pk)
    context = {
        "form": form,
        "title": "Add a unit",
        "effect": f"Its home shop is {shop.name}. Work can be requested on it once an engine is recorded in it.",
        "button": "Add the unit",
        "back": ("units", None),
    }
    return render(request, "components/record.html", context, status=form.status)


@require_http_methods(["GET", "POST"])
def engine_new(request: PersonRequest) -> HttpResponse:
    """Add an engine; it is in no unit yet."""
    policies.require(request.user, "keep-fleet")
    form = AddEngineForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.carried_out(
        actions.add_engine, by=request.user, at=timezone.now(), shop=request.user.shop
    ):
        messages.success(request, f"Engine {form.outcome.serial} added. Record on the unit's page where it is.")
        return redirect("engine", pk=form.outcome.pk)
    context = {
        "form": form,
        "title": "Add an engine",
        "effect": "It is in no unit until that is recorded on the unit's page.",
        "button": "Add the engine",
        "back": ("units", None),
    }
    return render(request, "components/record.html", context, status=form.status)


@require_http_methods(["GET", "POST"])
def engine_install(request: PersonRequest, pk: int) -> HttpResponse:
    """Record that an engine was put into a unit."""
    policies.require(request.user, "keep-fleet")
    one = get_object_or_404(Unit, pk=pk)
    shop = request.user.shop
    form = InstallForm(request.POST if request.method == "POST" else None, initial={"from_on": shop.today()})
    if request.method == "POST" and form.carried_out(
        actions.install_engine, unit=one, by=request.user, at=timezone.now(), shop=shop
    ):
        messages.success(request, f"Engine {form.outcome.engine.serial} is recorded in unit {one.number}.")
        return redirect("unit", pk=pk)
    context = {
        "form": form,
        "title": f"Record an engine in unit {one.number}",
        "effect": "Work on this unit is then work on this engine. An engine in another unit is removed there first.",
        "button": "Record the installation",
        "back": ("unit", pk),
        "reasons": [] if request.method == "POST" or queries.engines_in_no_unit().exists() else [NONE_FREE],
    }
    return render(request, "components/record.html", context, status=form.status)


@require_http_methods(["GET", "POST"])
def engine_remove(request: PersonRequest, pk: int) -> HttpResponse:
    """Record that an engine was taken out of its unit."""
    policies.require(request.user, "keep-fleet")
    one = get_object_or_404(Engine, pk=pk)
    shop = request.user.shop
    form = RemoveForm(request.POST if request.method == "POST" else None, initial={"until_on": shop.today()})
    if request.method == "POST" and form.carried_out(
        actions.remove_engine, one, by=request.user, at=timezone.now(), shop=shop
    ):
        messages.success(request, f"Engine {one.serial} is recorded as out of unit {form.outcome.unit.number}.")
        return redirect("engine", pk=pk)
    context = {
        "form": form,
        "title": f"Record the removal of engine {one.serial}",
        "effect": "The days it was in the unit stay on record.",
        "button": "Record the removal",
        "back": ("engine", pk),
    }
    return render(request, "components/record.html", context, status=form.status)
