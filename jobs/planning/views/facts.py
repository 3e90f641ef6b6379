"""The pages of a shop's facts: places, shift patterns, rotas, days without shifts, and what comes of them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from functools import partial
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.people import policies
from jobs.planning import facts, overview
from jobs.planning.actions import calendars, places
from jobs.planning.forms.facts import HolidayForm, PlaceForm, RotaForm
from jobs.planning.rules.calendars import words
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest

KEEP = "keep-calendars"


@require_GET
def shop_facts(request: PersonRequest) -> HttpResponse:
    """Who and what is there when."""
    policies.require(request.user, "see-plan")
    return render(request, "planning/facts.html", overview.of_shop(request.user, now=timezone.now()))


@require_GET
def hours(request: PersonRequest, pk: int) -> HttpResponse:
    """The coming four weeks of a person's working time, as it really is."""
    policies.require(request.user, "see-plan")
    found = overview.of_person(request.user, pk, now=timezone.now())
    return render(request, "planning/hours.html", found)


@require_http_methods(["GET", "POST"])
def place_new(request: PersonRequest) -> HttpResponse:
    """Add a bay or crane."""
    policies.require(request.user, KEEP)
    form = PlaceForm(request.user, request.POST if request.method == "POST" else None)
    return _kept(
        request, form, partial(places.add_place, shop=request.user.shop),
        title="Add a bay or crane", effect="The next plan can put work there.", button="Add it",
    )  # fmt: skip


@require_http_methods(["GET", "POST"])
def place(request: PersonRequest, pk: int) -> HttpResponse:
    """One bay or crane, and the change of it."""
    policies.require(request.user, KEEP)
    one = facts.place_for(request.user, pk)
    initial = {name: getattr(one, name) for name in ("kind", "name", "pattern", "usable_from", "usable_until")}
    form = PlaceForm(request.user, request.POST if request.method == "POST" else None, initial=initial)
    return _kept(
        request, form, partial(places.change_place, one), title=f"Change {one.name}",
        effect="Plans made from now on follow this. Those accepted stay as they are; plan anew when they must not.",
        button="Change it",
    )  # fmt: skip


@require_http_methods(["GET", "POST"])
def rota_new(request: PersonRequest) -> HttpResponse:
    """Let somebody work a pattern."""
    policies.require(request.user, KEEP)
    today = request.user.shop.today()
    monday = today - timedelta(days=today.weekday())
    initial = {"valid_from": monday, "first_week": 1, "person": request.GET.get("who")}
    form = RotaForm(request.user, request.POST if request.method == "POST" else None, initial=initial)
    return _kept(
        request, form, lambda *, person, **more: calendars.give_rota(person, **more), title="Give somebody a rota",
        effect="Plans made from now on count on this person in these shifts.", button="Give this rota",
    )  # fmt: skip


@require_http_methods(["GET", "POST"])
def rota(request: PersonRequest, pk: int) -> HttpResponse:
    """One rota of a person: change it, or take it away."""
    policies.require(request.user, KEEP)
    one = facts.rota_for(request.user, pk)
    if request.method == "POST" and request.POST.get("act") == "away":
        calendars.take_rota_away(one, by=request.user, at=timezone.now())
        messages.success(request, f"{one.person.name} works {one.pattern.name} no longer.")
        return redirect("plan-facts")
    initial = {name: getattr(one, name) for name in ("pattern", "valid_from", "valid_until", "first_week")}
    form = RotaForm(
        request.user, request.POST if request.method == "POST" else None, rota=one, initial=initial
    )
    return _kept(
        request, form, partial(calendars.change_rota, one), title=f"Change the rota of {one.person.name}",
        effect="Let it end and give another where the work changes; change it only where it was entered wrongly.",
        button="Change this rota", away="Take this rota away",
    )  # fmt: skip


@require_http_methods(["GET", "POST"])
def holiday_new(request: PersonRequest) -> HttpResponse:
    """Add a day without shifts."""
    policies.require(request.user, KEEP)
    form = HolidayForm(request.POST if request.method == "POST" else None)
    return _kept(
        request, form, partial(calendars.add_holiday, shop=request.user.shop), title="Add a day without shifts",
        effect="No shift of the shop begins on this day.", button="Add this day",
    )  # fmt: skip


@require_http_methods(["GET", "POST"])
def holiday(request: PersonRequest, pk: int) -> HttpResponse:
    """One day without shifts: change it, or let it have shifts again."""
    policies.require(request.user, KEEP)
    one = facts.holiday_for(request.user, pk)
    if request.method == "POST" and request.POST.get("act") == "away":
        calendars.take_holiday_away(one, by=request.user, at=timezone.now())
        messages.success(request, f"{words(one.day)} has shifts again.")
        return redirect("plan-facts")
    form = HolidayForm(
        request.POST if request.method == "POST" else None, initial={"day": one.day, "name": one.name}
    )
    return _kept(
        request, form, partial(calendars.change_holiday, one), title=f"Change {words(one.day)}",
        effect="No shift of the shop begins on this day.", button="Change this day",
        away="Let it have shifts again",
    )  # fmt: skip


def _kept(request: PersonRequest, form: PageForm, action: Callable[..., Any], **said: str) -> HttpResponse:
    """Show a form and carry it out; then back to the facts."""
    if request.method == "POST" and form.carried_out(action, by=request.user, at=timezone.now()):
        messages.success(request, f"Recorded: {_name(form.outcome)}.")
        return redirect("plan-facts")
    return render(request, "planning/fact.html", {"form": form, **said}, status=form.status)


def _name(outcome: Any) -> str:
    return str(outcome)
