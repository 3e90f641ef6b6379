"""The page on which a shift pattern is laid out: a grid of weeks and weekdays, drawn to scale beside it."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from jobs.people import policies
from jobs.planning import drawn, facts
from jobs.planning.actions import calendars
from jobs.planning.forms.facts import PatternForm
from jobs.planning.models import ShiftPattern
from jobs.planning.rules import calendars as rules
from jobs.web.http import PersonRequest

KEEP = "keep-calendars"


@require_http_methods(["GET", "POST"])
def pattern_new(request: PersonRequest) -> HttpResponse:
    """Lay out a new pattern."""
    return _laid_out(request, None)


@require_http_methods(["GET", "POST"])
def pattern(request: PersonRequest, pk: int) -> HttpResponse:
    """One pattern, and the change of it."""
    policies.require(request.user, KEEP)
    return _laid_out(request, facts.pattern_for(request.user, pk))


def _laid_out(request: PersonRequest, one: ShiftPattern | None) -> HttpResponse:
    policies.require(request.user, KEEP)
    form = PatternForm(request.POST if request.method == "POST" else None, pattern=one)
    only_drawn = request.POST.get("act") in ("draw", "weeks")
    if request.method == "POST" and not only_drawn:
        action = (
            partial(calendars.add_pattern, shop=request.user.shop)
            if one is None
            else partial(calendars.change_pattern, one)
        )
        if form.carried_out(action, by=request.user, at=timezone.now()):
            messages.success(request, f"Recorded: shift pattern {form.outcome.name}.")
            return redirect("plan-facts")
    title = f"Change {one.name}" if one else "Lay out a shift pattern"
    context: dict[str, Any] = {"form": form, "one": one, "title": title}
    context |= _shown(form, one)
    if one is not None:
        context["worked_by"] = one.rotas.select_related("person").order_by("person__name", "valid_from")
    template = "planning/_pattern_drawn.html" if request.POST.get("act") == "draw" else "planning/pattern.html"
    return render(request, template, context, status=200 if only_drawn else form.status)


def _shown(form: PatternForm, one: ShiftPattern | None) -> dict[str, Any]:
    """The drawing of what is typed, or of the pattern as it stands, with what overlaps in it."""
    if form.is_bound:
        form.is_valid()
        shifts, weeks = form.cleaned_data.get("shifts", []), form.laid_out
    else:
        shifts, weeks = (facts.shifts_of(one), one.weeks) if one else ([], 1)
    overlaps = rules.why_not_shifts(shifts, weeks) if shifts else []
    return {"drawing": drawn.pattern(shifts, weeks), "overlaps": overlaps}
