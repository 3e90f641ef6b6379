"""One work order: where it stands, its steps, results and findings, and what can be done with it now."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.orders import acts, queries
from jobs.orders.models import OrderStep, ProcedureStep, WorkOrder
from jobs.people import policies
from jobs.web import panels
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest

Stage = ProcedureStep.Stage


@require_GET
def work_order(request: PersonRequest, pk: int) -> HttpResponse:
    """Where one work order stands, and what comes next."""
    policies.require(request.user, "see-work")
    order = queries.order_for(request.user, pk)
    steps = list(queries.steps_of(order))
    current = next((step for step in steps if step.state == OrderStep.State.OPEN), None)
    offered = acts.offered(order, request.user)
    onward = next((act for act in offered if acts.ONWARD.get(order.state) == act.code), None)
    context = {
        "order": order,
        "steps": steps,
        "current": current,
        "done": sum(step.state != OrderStep.State.OPEN for step in steps),
        "acts": [act for act in offered if act is not onward],
        "main": _onward_by(order, onward) if onward else _main(order, current, request),
        "findings": order.findings.select_related("raised_by", "decided_by", "step__definition"),
        "uses": order.instrument_uses.select_related("instrument", "calibration", "step"),
        "may_decide": policies.may(request.user, "decide-finding"),
        "today": request.user.shop.today(),
        "panels": panels.drawn("work-order", order, request),
        **results_of(order),
    }
    return render(request, "orders/work_order.html", context)


def results_of(order: WorkOrder) -> dict[str, Any]:
    """As-found and as-left analyses that count, with the tolerance they were held against."""
    spec: dict[str, Any] = order.spec or {}
    return {
        "as_found": queries.stage_result(order, Stage.AS_FOUND),
        "as_left": queries.stage_result(order, Stage.AS_LEFT),
        "tolerance_deg": spec.get("tolerance_deg"),
        "target_deg": spec.get("target_deg", 0.0),
        "revision": order.engine_type_revision,
    }


def _onward_by(order: WorkOrder, act: acts.Act) -> tuple[str, str]:
    """Before work starts, and while it is held, the next thing is done to the order itself."""
    return act.title, reverse("work-order-act", args=[order.pk, act.code])


def _main(order: WorkOrder, current: OrderStep | None, request: PersonRequest) -> tuple[str, str] | None:
    """The one thing this page leads to for this person, as (what it says, where): the next step or signature."""
    person = request.user
    if order.state in {WorkOrder.State.IN_WORK, WorkOrder.State.TO_VERIFY} and policies.may(person, "decide-finding"):
        waiting = order.findings.filter(decision="").exclude(raised_by=person).order_by("number").first()
        if waiting is not None:
            decide = reverse("work-order-act", args=[order.pk, "decide"])
            return (f"Decide about finding {waiting.number}", f"{decide}?finding={waiting.number}")
    if order.state == WorkOrder.State.IN_WORK and current is not None:
        if current.definition.kind == ProcedureStep.Kind.HOLD_POINT and policies.may(person, "release-hold-point"):
            return (f"Look at hold point {current.position}", reverse("step", args=[order.pk, current.position]))
        if policies.may(person, "do-step"):
            return (f"Go to step {current.position}", reverse("step", args=[order.pk, current.position]))
        return None
    return panels.onward("work-order", order, request)


@require_http_methods(["GET", "POST"])
def work_order_act(request: PersonRequest, pk: int, action: str) -> HttpResponse:
    """State what an act does, take what it needs, do it; refused, it says every reason."""
    order = queries.order_for(request.user, pk)
    act = acts.find(action)
    policies.require(request.user, act.policy)
    now = timezone.now()
    subject = act.subject(order, request)
    form = act.form(order, subject, request)
    if request.method == "POST" and form.carried_out(act.run, subject, by=request.user, at=now, **_seen(request, act)):
        messages.success(request, act.done.format(order=order))
        return redirect("work-order", pk=pk)
    return render(request, "orders/act.html", _act_context(order, act, form, subject, now), status=form.status)


def _seen(request: PersonRequest, act: acts.Act) -> dict[str, int]:
    """The revision of the order that the page showed, where the act takes it: two tablets cannot both win."""
    seen = request.POST.get("seen_revision", "")
    return {"seen_revision": int(seen)} if act.takes_seen_revision and seen.isdecimal() else {}


def _act_context(order: WorkOrder, act: acts.Act, form: PageForm, subject: Any, now: datetime) -> dict[str, Any]:
    return {
        "order": order,
        "act": act,
        "form": form,
        "subject": subject,
        "heading": act.heading(order),
        "effect": act.effect.format(order=order),
        "reasons": act.why_not(order) if form.status == 200 else [],
        "now": now,
    }
