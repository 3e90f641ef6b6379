"""The instrument keeper's pages: what is due, one instrument with its calibrations, and the records made of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.errors import Reason
from jobs.people import policies
from jobs.tooling import actions, forms, queries, rules
from jobs.tooling.models import Instrument
from jobs.web import panels
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest
from jobs.web.lists import csv_answer, page_of, sorted_by

SOON_DAYS = 30
SORTS = {
    "asset_number": ["asset_number"],
    "kind": ["kind", "asset_number"],
    "state": ["state", "asset_number"],
    "due_on": ["due_on", "asset_number"],
}
COLUMNS = (
    "asset number", "kind", "maker", "serial", "range from", "range to", "unit", "state", "reason", "due on"
)  # fmt: skip


@require_GET
def instruments(request: PersonRequest, *, as_csv: bool = False) -> HttpResponseBase:
    """Which instruments are due, and which may not be used."""
    policies.require(request.user, "see-work")
    today = request.user.shop.today()
    form = forms.InstrumentFilterForm(request.GET)
    rows = queries.instruments_of(request.user)
    if form.is_valid():
        rows = _filtered(rows, form.cleaned_data, today)
    rows = sorted_by(request, rows, SORTS, default="due_on")
    if as_csv:
        return csv_answer(f"{request.user.shop.code}-instruments", COLUMNS, _lines(rows))
    context = {
        "form": form,
        "page": page_of(request, rows),
        "today": today,
        "filtered": any(request.GET.get(name) for name in form.fields),
    }
    return render(request, "tooling/instruments.html", context)


def _filtered(rows: QuerySet[Instrument], wanted: dict[str, Any], today: date) -> QuerySet[Instrument]:
    if words := wanted["words"]:
        rows = rows.filter(
            Q(asset_number__icontains=words) | Q(maker__icontains=words) | Q(serial__icontains=words)
        )
    if wanted["kind"]:
        rows = rows.filter(kind=wanted["kind"])
    if wanted["state"]:
        rows = rows.filter(state=wanted["state"])
    soon = today + timedelta(days=SOON_DAYS)
    due = {
        "overdue": Q(due_on__isnull=True) | Q(due_on__lt=today),
        "soon": Q(due_on__range=(today, soon)),
        "in-date": Q(due_on__gte=today),
    }
    return rows.filter(due[wanted["due"]]) if wanted["due"] else rows


def _lines(rows: QuerySet[Instrument]) -> Iterator[list[Any]]:
    for one in rows.iterator(chunk_size=1000):
        yield [
            one.asset_number, one.get_kind_display(), one.maker, one.serial, one.range_low, one.range_high,
            one.range_unit, one.get_state_display(), one.state_reason, one.due_on,
        ]  # fmt: skip


@require_GET
def instrument(request: PersonRequest, pk: int) -> HttpResponse:
    """Whether one instrument may be used, and on the strength of what."""
    policies.require(request.user, "see-work")
    one = queries.instrument_for(request.user, pk)
    today = request.user.shop.today()
    context = {
        "instrument": one,
        "today": today,
        "in_force": queries.calibration_in_force(one, today),
        "calibrations": one.calibrations.select_related("recorded_by"),
        "panels": panels.drawn("instrument", one, request),
    }
    return render(request, "tooling/instrument.html", context)


@require_GET
def calibration(request: PersonRequest, pk: int) -> HttpResponse:
    """What one calibration of an instrument states."""
    policies.require(request.user, "see-work")
    one = queries.calibration_for(request.user, pk)
    context = {"calibration": one, "instrument": one.instrument, "today": request.user.shop.today()}
    return render(request, "tooling/calibration.html", context)


@require_http_methods(["GET", "POST"])
def instrument_new(request: PersonRequest) -> HttpResponse:
    """Add an instrument to the shop."""
    policies.require(request.user, "keep-instruments")
    form = forms.AddInstrumentForm(request.POST if request.method == "POST" else None)
    if request.method == "POST":
        add = actions.add_instrument
        if form.carried_out(add, shop=request.user.shop, by=request.user, at=timezone.now()):
            messages.success(request, f"{form.outcome.asset_number} added. It may be used once it has a calibration.")
            return redirect("instrument", pk=form.outcome.pk)
    context = {
        "form": form,
        "title": "Add an instrument",
        "effect": "The instrument may be used once a calibration is recorded.",
        "button": "Add the instrument",
        "back": ("instruments", None),
    }
    return render(request, "components/record.html", context, status=form.status)


@require_http_methods(["GET", "POST"])
def calibrate(request: PersonRequest, pk: int) -> HttpResponse:
    """Record a calibration of an instrument from its certificate."""
    policies.require(request.user, "keep-instruments")
    one = queries.instrument_for(request.user, pk)
    posted = request.POST if request.method == "POST" else None
    form = forms.CalibrationForm(one, posted, initial={"performed_on": request.user.shop.today()})
    if request.method == "POST" and form.carried_out(
        actions.record_calibration, one, by=request.user, at=timezone.now()
    ):
        messages.success(request, f"Calibration {form.outcome.certificate} of {one.asset_number} recorded.")
        return redirect("instrument", pk=pk)
    context = {
        "instrument": one,
        "form": form,
        "title": f"Record a calibration of {one.asset_number}",
        "effect": (
            "The calibration performed last sets the due date. One that ends nonconforming withdraws the instrument. "
            "A recorded calibration is not changed afterwards."
        ),
        "button": "Record the calibration",
        "back": ("instrument", pk),
    }
    return render(request, "components/record.html", context, status=form.status)


@require_http_methods(["GET", "POST"])
def withdraw(request: PersonRequest, pk: int) -> HttpResponse:
    """Take an instrument out of use."""
    one = queries.instrument_for(request.user, pk)
    return _with_reason(
        request,
        one,
        actions.withdraw_instrument,
        title=f"Withdraw {one.asset_number} from use",
        effect=f"From now on {one.asset_number} cannot be named at any step or trace, until it is returned to service.",
        button="Withdraw it",
        done=f"{one.asset_number} is withdrawn.",
        why_not=rules.why_not_withdraw(one),
    )


@require_http_methods(["GET", "POST"])
def put_back(request: PersonRequest, pk: int) -> HttpResponse:
    """Return a withdrawn instrument to service."""
    one = queries.instrument_for(request.user, pk)
    today = one.shop.today()
    return _with_reason(
        request,
        one,
        actions.return_instrument,
        title=f"Return {one.asset_number} to service",
        effect=f"{one.asset_number} may be used again, on the strength of its calibration in force.",
        button="Return it to service",
        done=f"{one.asset_number} is in service.",
        why_not=rules.why_not_return(one, day=today, calibration=queries.newest_calibration(one, today)),
    )


def _with_reason(
    request: PersonRequest, one: Instrument, action: Any, *, done: str, why_not: list[Reason], **words: str
) -> HttpResponse:
    """Ask for the reason and do it; where it cannot be done now the page says why and asks for nothing."""
    policies.require(request.user, "keep-instruments")
    form: PageForm = forms.ReasonForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.carried_out(action, one, by=request.user, at=timezone.now()):
        messages.success(request, done)
        return redirect("instrument", pk=one.pk)
    reasons = why_not if request.method == "GET" else []
    context = {"instrument": one, "form": form, "final": True, "back": ("instrument", one.pk), "reasons": reasons}
    return render(request, "components/record.html", {**context, **words}, status=form.status)
