"""How long operations are planned to take, beside how long they took."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from jobs.orders.models import Procedure
from jobs.people import policies
from jobs.planning.actions.estimates import set_estimate
from jobs.planning.learning import minutes_of
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest


class EstimateForm(PageForm):
    operation = forms.CharField(max_length=40)
    minutes = forms.IntegerField(label="Planned minutes", required=False, min_value=0)


@require_http_methods(["GET", "POST"])
def minutes(request: PersonRequest) -> HttpResponse:
    """Planned and real minutes of every operation of every procedure."""
    policies.require(request.user, "see-plan")
    posted = request.POST.copy() if request.method == "POST" else None
    if posted is not None and posted.get("take"):  # the button that takes over what was learnt
        posted["minutes"] = str(posted["take"])
    form = EstimateForm(posted)
    if request.method == "POST":
        policies.require(request.user, "plan-shop")
        procedure = get_object_or_404(Procedure, code=request.POST.get("procedure", ""))
        if form.carried_out(set_estimate, procedure, by=request.user, at=timezone.now()):
            messages.success(request, "Plans from now on count with it.")
            return redirect("plan-minutes")
    shown = [(one, minutes_of(request.user.shop, one)) for one in Procedure.objects.order_by("code")]
    context = {
        "procedures": [(one, rows) for one, rows in shown if rows],
        "form": form,
        "may_plan": policies.may(request.user, "plan-shop"),
    }
    return render(request, "planning/plan_minutes.html", context, status=form.status)
