"""The pages of absences: the list, one entered, one withdrawn, a file of them imported."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.people import policies
from jobs.people.models import Person
from jobs.planning import facts, moments, reading
from jobs.planning.actions import absences as actions
from jobs.planning.forms.absences import AbsenceFilterForm, AbsenceForm, ImportForm, TakeForm, key_of
from jobs.planning.models import Absence
from jobs.planning.rules import absences as rules
from jobs.web.http import PersonRequest
from jobs.web.lists import csv_answer, page_of, sorted_by

ENTER = "enter-absence"
SORTS = {"from": ["starts_at"], "until": ["ends_at"], "entered": ["entered_at"]}
COLUMNS = ("who", "from", "until", "reason", "uid", "source", "withdrawn at")


@require_GET
def absences(request: PersonRequest, *, as_csv: bool = False) -> HttpResponseBase:
    """Who and what is away when."""
    policies.require(request.user, "see-plan")
    form = AbsenceFilterForm(request.user, request.GET)
    rows = facts.absences_of(request.user)
    rows = _filtered(rows, form.cleaned_data, request.user) if form.is_valid() else rows.none()
    rows = sorted_by(request, rows, SORTS, default="-from")
    if as_csv:
        return csv_answer(f"{request.user.shop.code}-absences", COLUMNS, _lines(rows, request.user))
    context = {
        "form": form,
        "page": page_of(request, rows),
        "filtered": any(request.GET.get(name) for name in form.fields),
        "now": timezone.now(),
        "reasons_shown": policies.may(request.user, ENTER),
    }
    return render(request, "planning/absences.html", context)


def _filtered(rows: QuerySet[Absence], wanted: dict[str, Any], person: Person) -> QuerySet[Absence]:
    zone = person.shop.zone
    if wanted["who"] is not None:
        rows = rows.filter(**actions.of(wanted["who"]))
    if wanted["since"]:
        since = moments.begins(wanted["since"], None, zone)
        rows = rows.filter(Q(ends_at__isnull=True) | Q(ends_at__gt=since))
    if wanted["until"]:
        rows = rows.filter(starts_at__lt=moments.ends(wanted["until"], None, zone))
    if wanted["state"] != "all":
        rows = rows.filter(withdrawn_at__isnull=not wanted["state"])
    return rows


def _lines(rows: QuerySet[Absence], person: Person) -> Iterator[list[Any]]:
    """As the import reads them; why a person is away is told only to those who enter absences, and to themselves."""
    shown = policies.may(person, ENTER)
    for one in rows.iterator(chunk_size=1000):
        yield [
            rules.name_of(one.subject),
            _local(one.starts_at),
            _local(one.ends_at) if one.ends_at else "",
            one.reason if shown or one.person_id in (None, person.pk) else "",
            one.uid,
            one.get_source_display(),
            _local(one.withdrawn_at) if one.withdrawn_at else "",
        ]


def _local(at: Any) -> str:
    return f"{timezone.localtime(at):%Y-%m-%dT%H:%M%z}"


@require_http_methods(["GET", "POST"])
def absence_new(request: PersonRequest) -> HttpResponse:
    """Enter an absence."""
    policies.require(request.user, ENTER)
    initial = {"from_day": request.user.shop.today(), "who": request.GET.get("who")}
    form = AbsenceForm(request.user, request.POST if request.method == "POST" else None, initial=initial)
    if request.method == "POST" and form.carried_out(
        actions.enter_absence, shop=request.user.shop, by=request.user, at=timezone.now()
    ):
        messages.success(request, f"Entered: {actions.said(form.outcome)}.")
        if more := facts.beside(form.outcome):
            told = "; ".join(actions.said(one) for one in more)
            messages.warning(
                request, f"Entered already for some of that time: {told}. All of them count until they are withdrawn."
            )
        return redirect("plan-absences")
    context = {
        "form": form,
        "title": "Enter an absence",
        "effect": "Plans made from now on do without. One in force stays as it is until it is planned anew.",
        "button": "Enter this absence",
        "back": "plan-absences",
    }
    return render(request, "planning/fact.html", context, status=form.status)


@require_http_methods(["POST"])
def absence_withdraw(request: PersonRequest, pk: int) -> HttpResponse:
    """Withdraw an absence; it stays in the list of those withdrawn, so this can be looked up and entered again."""
    policies.require(request.user, ENTER)
    one = facts.absence_for(request.user, pk)
    found = actions.withdraw_absence(one, by=request.user, at=timezone.now())
    messages.success(request, f"Withdrawn: {actions.said(found)}.")
    return redirect("plan-absences")


@require_http_methods(["GET", "POST"])
def absences_import(request: PersonRequest) -> HttpResponse:
    """Import absences: read the file, show what would be done, do it on the planner's word."""
    policies.require(request.user, ENTER)
    if request.method == "POST" and "seen" in request.POST:
        return _taken(request)
    form = ImportForm(
        request.user,
        request.POST if request.method == "POST" else None,
        request.FILES if request.method == "POST" else None,
    )
    if request.method == "POST" and form.carried_out(reading.uploaded, shop=request.user.shop, at=timezone.now()):
        return _previewed(request, form.outcome)
    return render(request, "planning/absences_import.html", {"form": form}, status=form.status)


def _taken(request: PersonRequest) -> HttpResponse:
    form = TakeForm(request.user, request.POST)
    now = timezone.now()
    if form.carried_out(reading.taken, shop=request.user.shop, by=request.user, at=now):
        messages.success(request, f"Imported: {reading.counted(form.outcome)}.")
        return redirect("plan-absences")
    if not form.refused_with("changed-meanwhile") and not form.refused_with("nothing-new"):
        again = ImportForm(request.user)
        return render(request, "planning/absences_import.html", {"form": again, "wrong": form}, status=form.status)
    again_read = reading.of_text(
        form.cleaned_data["text"],
        file_name=form.cleaned_data["file_name"],
        whose=form.cleaned_data["whose"],
        shop=request.user.shop,
        at=now,
    )
    return _previewed(request, again_read, form=form, status=form.status)


def _previewed(
    request: PersonRequest, found: reading.Read, *, form: TakeForm | None = None, status: int = 200
) -> HttpResponse:
    context = {
        "found": found,
        "wrong": form,
        "counts": reading.counted(found.counts),
        "whose_key": key_of(found.whose) if found.whose is not None else "",
    }
    return render(request, "planning/absences_preview.html", context, status=status)
