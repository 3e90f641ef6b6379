"""Asking for plans, comparing what was found, accepting one, and looking at every version there was."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.orders import actions as orders
from jobs.orders.queries import order_for
from jobs.people import policies
from jobs.planning import problem, promising, sheets, shown
from jobs.planning.actions import plans
from jobs.planning.actions.board import board_now
from jobs.planning.actions.trouble import report_trouble
from jobs.planning.forms.plans import AskForm, PromiseForm, TroubleForm
from jobs.planning.models import Plan, Planning
from jobs.planning.wording import moment, said
from jobs.web.http import PersonRequest
from jobs.web.lists import page_of

CHANGES = ("moved", "left_out", "orders_placed")  # costs of a plan that is not just the one in force


@require_http_methods(["GET", "POST"])
def ask(request: PersonRequest) -> HttpResponse:
    """Ask a worker for a plan of everything that is open."""
    policies.require(request.user, "plan-shop")
    form = AskForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.carried_out(plans.ask_plan, by=request.user, at=timezone.now()):
        return redirect("plan-asked", pk=form.outcome.pk)
    return render(request, "planning/plan_ask.html", {"form": form}, status=form.status)


@require_http_methods(["GET", "POST"])
def trouble(request: PersonRequest) -> HttpResponse:
    """Say what went wrong, and ask for a plan around it."""
    policies.require(request.user, "plan-shop")
    at = timezone.now()
    board, _, _ = board_now(request.user.shop, at=at)
    facts, _ = plans.stated_now(request.user.shop, at=at)
    initial = {"starts_at": timezone.localtime(at), "what": request.GET.get("what", "")}
    form = TroubleForm(facts, board, request.POST if request.method == "POST" else None, initial=initial)
    if request.method == "POST" and form.carried_out(report_trouble, by=request.user, at=at):
        return redirect("plan-asked", pk=form.outcome.pk)
    return render(request, "planning/plan_trouble.html", {"form": form}, status=form.status)


@require_GET
def asked(request: PersonRequest, pk: int) -> HttpResponse:
    """How far the looking is, then the alternatives side by side."""
    policies.require(request.user, "see-plan")
    found = Planning.objects.select_related("errand", "asked_by", "shop", "based_on")
    planning = get_object_or_404(found, pk=pk, shop=request.user.shop_id)
    alternatives = [shown.alternative(plan) for plan in planning.plans.order_by("pk")]
    accepted = next((one.plan for one in alternatives if one.plan.version), None)
    may_accept = bool(alternatives) and accepted is None and policies.may(request.user, "plan-shop")
    changed: list[str] = []
    if may_accept:
        _, stated = plans.stated_now(request.user.shop, at=timezone.now())
        changed = problem.changed(planning.marks, stated.marks)
    context = {
        "planning": planning,
        "alternatives": alternatives,
        "lines": shown.compared(alternatives),
        "nothing_moves": planning.based_on is not None
        and any(not any(one.plan.cost.get(key) for key in CHANGES) for one in alternatives),
        "accepted": accepted,
        "changed": changed,
        "may_accept": may_accept and not changed,
    }
    return render(request, "planning/plan_asked.html", context)


@require_POST
def accept(request: PersonRequest, pk: int) -> HttpResponse:
    """Make an alternative the plan of the shop."""
    policies.require(request.user, "plan-shop")
    plan = get_object_or_404(Plan, pk=pk, shop=request.user.shop_id)
    accepted = plans.accept_plan(plan, note=request.POST.get("note", ""), losing=bool(request.POST.get("losing")),
                                 by=request.user, at=timezone.now())  # fmt: skip
    messages.success(request, f"Plan {accepted.version} is in force.")
    return redirect("plan-board")


@require_GET
def versions(request: PersonRequest) -> HttpResponse:
    """Every plan that was in force, the newest first."""
    policies.require(request.user, "see-plan")
    accepted = Plan.objects.filter(shop=request.user.shop_id, version__isnull=False).select_related("accepted_by")
    page = page_of(request, accepted.defer("problem", "plan", "names", "marks").order_by("-version"))
    return render(request, "planning/plan_versions.html", {"page": page, "rows": page.object_list})


@require_GET
def version(request: PersonRequest, pk: int) -> HttpResponse:
    """One plan as it was made and accepted, or an alternative that waits for a choice or was not accepted."""
    policies.require(request.user, "see-plan")
    found = Plan.objects.select_related("accepted_by", "shop", "planning__asked_by", "based_on")
    plan = get_object_or_404(found, pk=pk, shop=request.user.shop_id)
    one = shown.alternative(plan)
    waits = False
    if plan.version is None:
        waits = plans.undecided(*plans.stated_now(plan.shop, at=timezone.now())) == plan.planning
    following = Plan.objects.filter(shop=plan.shop_id, version=(plan.version or 0) + 1).first()
    context = {
        "plan": plan,
        "one": one,
        "sheet": sheets.sheet(plan.plan["bookings"], plan.problem["resources"], plan.names, plan.shop.zone),
        "digest": plans.digest_of(plan.plan),
        "replaced_by": following if plan.version else None,
        "waits": waits,
    }
    return render(request, "planning/plan_version.html", context)


@require_http_methods(["GET", "POST"])
def promise(request: PersonRequest, pk: int) -> HttpResponse:
    """The earliest honest promise for an order, and the giving of one."""
    policies.require(request.user, "plan-shop")
    order = order_for(request.user, pk)
    at = timezone.now()
    offered = _offers(request, order.number, at)
    from_board = request.GET.get("from") == "board"
    initial = {"promised_at": offered["offers"][0]["field"]} if offered["offers"] else {}
    form = PromiseForm(request.POST if request.method == "POST" else None, initial=initial)
    if request.method == "POST" and form.carried_out(orders.promise_order, order, by=request.user, at=at):
        given = moment(form.cleaned_data["promised_at"], request.user.shop.zone)
        messages.success(request, f"{order.unit.number} is promised by {given}.")
        if offered["ready"] is not None and offered["ready"] > form.cleaned_data["promised_at"]:
            ready = moment(offered["ready"], request.user.shop.zone)
            messages.warning(request, f"The board has it ready {ready}, which is later. Move it or ask for a plan.")
        elif offered["ready"] is None:
            messages.warning(request, "It has no place on the board yet, and nothing was moved for it. Ask for a plan.")
        return redirect("plan-board") if from_board else redirect("work-order", pk=order.pk)
    context: dict[str, Any] = {"form": form, "order": order, "from_board": from_board, **offered}
    return render(request, "planning/plan_promise.html", context, status=form.status)


def _offers(request: PersonRequest, number: str, at: datetime) -> dict[str, Any]:
    facts, stated = plans.stated_now(request.user.shop, at=at)
    zone = request.user.shop.zone
    if number not in {one["id"] for one in stated.problem["orders"]}:
        raise Http404("This work order is not one to plan any longer.")
    found = promising.offers(stated.problem, number, facts.bookings)
    ends = problem.ends(facts.bookings)
    end = ends.get(number)
    return {
        "unplaced": sum(one["id"] != number and one["id"] not in ends for one in stated.problem["orders"]),
        "ready": datetime.fromisoformat(end) if end is not None else None,
        "offers": [
            {
                "at": one.at,
                "sentence": shown.offer_words(one, stated.names, zone),
                "words": moment(one.at, zone),
                "field": one.at.astimezone(zone).strftime("%Y-%m-%dT%H:%M"),
            }
            for one in found.offers
        ],
        "tried": shown.tried_words(found),
        "why_none": said(found.why_none, stated.names, zone),
    }
