"""How long operations are planned to take, beside how long they took, and which of them need the crane."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from jobs.orders.models import Procedure
from jobs.people import policies
from jobs.planning.actions.estimates import set_crane, set_estimate
from jobs.planning.learning import Minutes, minutes_of
from jobs.planning.models import Place
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest


class OperationForm(PageForm):
    """What is entered about one operation; its fields are called after it, as there are many on the page."""

    operation = forms.CharField(max_length=40)

    def __init__(self, data: Any, procedure: Procedure) -> None:
        self.code = data.get("operation", "")
        super().__init__(data, auto_id=f"%s-{procedure.pk}-{self.code}")
        self.procedure = procedure

    def call(self, rows: list[Minutes]) -> None:
        """Name the fields after the operation, whose title the rows tell."""
        title = next((one.title for one in rows if one.code == self.code), self.code)
        for name, field in self.fields.items():
            if name != "operation":
                field.label = f"{field.label}, {title} of “{self.procedure.title}”"


class EstimateForm(OperationForm):
    minutes = forms.IntegerField(label="Planned minutes", required=False, min_value=0)


class CraneForm(OperationForm):
    crane = forms.BooleanField(label="Crane", required=False)


@require_http_methods(["GET", "POST"])
def minutes(request: PersonRequest) -> HttpResponse:
    """Planned and real minutes of every operation of every procedure."""
    policies.require(request.user, "see-plan")
    form = None
    if request.method == "POST":
        policies.require(request.user, "plan-shop")
        procedure = get_object_or_404(Procedure, code=request.POST.get("procedure", ""))
        posted = request.POST.copy()
        if posted.get("take"):  # the button that takes over what was learnt
            posted["minutes"] = str(posted["take"])
        lifts = "crane" in posted
        form = CraneForm(posted, procedure) if lifts else EstimateForm(posted, procedure)
        action = set_crane if lifts else set_estimate
        form.call(minutes_of(request.user.shop, procedure))
        if form.carried_out(action, procedure, by=request.user, at=timezone.now()):
            messages.success(request, "Plans from now on count with it.")
            return redirect("plan-minutes")
    shown = [(one, minutes_of(request.user.shop, one)) for one in Procedure.objects.order_by("code")]
    context = {
        "procedures": [(one, rows) for one, rows in shown if rows],
        "form": form,
        "may_plan": policies.may(request.user, "plan-shop"),
        "has_crane": Place.objects.filter(shop=request.user.shop, kind=Place.Kind.CRANE).exists(),
    }
    return render(request, "planning/plan_minutes.html", context, status=form.status if form is not None else 200)
