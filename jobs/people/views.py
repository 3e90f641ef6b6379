"""Signing in and out, the way to the page of one's role, and the shop's people."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from django import forms as django_forms
from django.contrib import messages
from django.contrib.auth.views import LoginView, LogoutView
from django.db.models import Q
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.people import actions, forms, policies, queries
from jobs.people.models import Person, Role
from jobs.web import panels
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest
from jobs.web.lists import csv_answer, page_of, sorted_by

# Where each role's day begins; a person with several starts at the first of these.
STARTS: list[tuple[str, str, str]] = [
    (Role.TECHNICIAN, "board", "?who=mine"),
    (Role.INSPECTOR, "board", "?needs=second-person"),
    (Role.PLANNER, "board", ""),
    (Role.KEEPER, "instruments", "?sort=due_on"),
    (Role.MANAGER, "board", "?sort=needed_by"),
    (Role.AUDITOR, "history", ""),
    (Role.ADMINISTRATOR, "people", ""),
]


class SignIn(LoginView):
    template_name = "people/sign_in.html"
    authentication_form = forms.SignInForm
    redirect_authenticated_user = True


class SignOut(LogoutView):
    http_method_names = ["post", "options"]


@require_GET
def home(request: PersonRequest) -> HttpResponse:
    """To the page on which this person's work is."""
    held = request.user.roles
    for role, name, query in STARTS:
        if role in held:
            return redirect(reverse(name) + query)
    return redirect("board")


class PeopleFilterForm(django_forms.Form):
    words = django_forms.CharField(label="Name", required=False)
    role = django_forms.ChoiceField(label="Role", required=False, choices=[("", "every role"), *Role.choices])


@require_GET
def people(request: PersonRequest, *, as_csv: bool = False) -> HttpResponse | StreamingHttpResponse:
    """Who works here, in which roles, qualified for what until when."""
    policies.require(request.user, "see-work")
    today = request.user.shop.today()
    form = PeopleFilterForm(request.GET)
    rows = queries.people_of(request.user).prefetch_related("qualifications__skill")
    if form.is_valid():
        rows = _filtered(rows, form.cleaned_data, today)
    rows = sorted_by(request, rows, {"name": ["name"], "username": ["username"]}, default="name")
    if as_csv:
        return csv_answer(f"{request.user.shop.code}-people", _COLUMNS, (_line(one, today) for one in rows))
    page = page_of(request, rows)
    for one in page.object_list:
        one.held = [grant for grant in one.grants.all() if grant.holds_on(today)]  # type: ignore[attr-defined]
    context = {"form": form, "page": page, "today": today}
    return render(request, "people/people.html", context)


def _filtered(rows: Any, wanted: dict[str, Any], today: date) -> Any:
    if wanted["words"]:
        rows = rows.filter(Q(name__icontains=wanted["words"]) | Q(username__icontains=wanted["words"]))
    if wanted["role"]:
        holds = Q(grants__valid_until__isnull=True) | Q(grants__valid_until__gte=today)
        rows = rows.filter(holds, grants__role=wanted["role"], grants__valid_from__lte=today).distinct()
    return rows


_COLUMNS = ("user name", "name", "roles today", "qualifications")


def _line(one: Person, today: date) -> list[str]:
    held = [str(grant.get_role_display()) for grant in one.grants.all() if grant.holds_on(today)]
    skills = [
        f"{each.skill.title} from {each.valid_from}" + (f" until {each.valid_until}" if each.valid_until else "")
        for each in one.qualifications.all()
    ]
    return [one.username, one.name, "; ".join(held), "; ".join(skills)]


_PERSON_FORMS: dict[str, tuple[str, str]] = {
    "role": ("Give a role", "Give the role"),
    "end-role": ("End a role", "End the role"),
    "qualification": ("Enter a qualification", "Enter the qualification"),
    "end-qualification": ("End a qualification", "End the qualification"),
}


@require_http_methods(["GET", "POST"])
def person(request: PersonRequest, pk: int) -> HttpResponse:
    """What one person may do and is qualified for; an administrator changes it here."""
    policies.require(request.user, "see-work")
    one = get_object_or_404(queries.people_of(request.user).select_related("shop"), pk=pk)
    today = request.user.shop.today()
    act = request.POST.get("act", "") if request.method == "POST" else ""
    asked = {code: _form(code, one, None, today) for code in _PERSON_FORMS}
    if request.method == "POST":
        if act not in _PERSON_FORMS:
            return redirect("person", pk=pk)
        policies.require(request.user, "keep-people")
        form = asked[act] = _form(act, one, request.POST, today)
        if _act(act, form, one, request.user):
            messages.success(request, f"Recorded for {one.name}.")
            return redirect("person", pk=pk)
    context = {
        "one": one,
        "today": today,
        "qualifications": one.qualifications.select_related("skill"),
        "forms": [(code, title, button, asked[code]) for code, (title, button) in _PERSON_FORMS.items()],
        "act": act,
        "panels": panels.drawn("person", one, request),
    }
    return render(request, "people/person.html", context, status=asked[act].status if act else 200)


def _form(code: str, one: Person, data: Any, today: date) -> PageForm:
    initial = {"valid_from": today, "on": today}
    if code == "role":
        return forms.GrantRoleForm(data, initial=initial, prefix=code)
    if code == "qualification":
        return forms.GrantQualificationForm(data, initial=initial, prefix=code)
    if code == "end-role":
        return forms.EndRoleForm(one, data, initial=initial, prefix=code)
    return forms.EndQualificationForm(one, data, initial=initial, prefix=code)


def _act(code: str, form: PageForm, one: Person, by: Person) -> bool:
    now = timezone.now()
    if code == "role":
        return form.carried_out(actions.grant_role, one, by=by, at=now)
    if code == "qualification":
        return form.carried_out(actions.grant_qualification, one, by=by, at=now)
    end: Callable[..., None] = actions.end_role if code == "end-role" else actions.end_qualification
    return form.carried_out(lambda *, grant, **more: end(grant, **more), by=by, at=now)


@require_http_methods(["GET", "POST"])
def person_new(request: PersonRequest) -> HttpResponse:
    """Add someone who signs in."""
    policies.require(request.user, "keep-people")
    form = forms.AddPersonForm(request.POST if request.method == "POST" else None)
    if request.method == "POST":
        add = actions.add_person
        if form.carried_out(add, shop=request.user.shop, by=request.user, at=timezone.now()):
            messages.success(request, f"{form.outcome.name} can sign in now.")
            return redirect("person", pk=form.outcome.pk)
    return render(request, "people/person_new.html", {"form": form}, status=form.status)
