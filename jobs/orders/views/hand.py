"""Readings by hand, typed on one page at a trace step where there is no encoder."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from jobs.orders import actions, facts, queries, rules
from jobs.orders.hand_forms import HandForm
from jobs.orders.models import OrderStep, ProcedureStep, Trace, WorkOrder
from jobs.orders.views.step import redirect_303
from jobs.people import policies
from jobs.web.http import PersonRequest


@require_http_methods(["GET", "POST"])
def hand(request: PersonRequest, pk: int, position: int) -> HttpResponse:
    """Type equal dial readings either side of the crest, in both senses of rotation."""
    policies.require(request.user, "upload-trace")
    found = queries.step_for(request.user, pk, position)
    if found.definition.kind != ProcedureStep.Kind.TRACE:
        raise Http404("This step takes no readings either side of the crest.")
    form = HandForm(found, request.user, request.POST if request.method == "POST" else None)
    if request.method == "POST" and not form.wants_more and _handed_in(form, found, request):
        trace, is_new = form.outcome
        if not is_new:
            messages.info(request, "These readings were handed in at this step before. Here is what was made of them.")
        return redirect_303(reverse("trace", args=[trace.pk]))
    return render(request, "orders/hand.html", _context(request, found, form), status=form.status)


def _handed_in(form: HandForm, found: OrderStep, request: PersonRequest) -> bool:
    def hand_in(subject: OrderStep, **values: Any) -> tuple[Trace, bool]:
        kept = {name: values[name] for name in ("probe", "confirmed", "by", "at")}
        return actions.hand_in_readings(subject, typed=form.typed(), **kept)

    return form.carried_out(hand_in, found, by=request.user, at=timezone.now())


def _context(request: PersonRequest, found: OrderStep, form: HandForm) -> dict[str, Any]:
    order = found.work_order
    stands = facts.of_step(found, by=request.user, at=timezone.now())
    closed = order.state in {WorkOrder.State.CLOSED, WorkOrder.State.CANCELLED}
    return {
        "order": order,
        "step": found,
        "definition": found.definition,
        "form": form,
        "reasons": [] if closed else rules.why_not_do_step(stands),
        "is_open": found.state == OrderStep.State.OPEN and order.state == WorkOrder.State.IN_WORK,
    }
