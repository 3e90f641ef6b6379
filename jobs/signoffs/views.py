"""Pages of this room: signing, a sign-off, a job card, and the public page that verifies one."""

from __future__ import annotations

import hashlib
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.errors import NotAllowed, Reason
from jobs.orders import queries as order_queries
from jobs.orders.models import OrderStep, WorkOrder
from jobs.orders.storage import StorageError
from jobs.people import policies
from jobs.signoffs import actions, documents, filing, queries, rules, summary, verification, wording
from jobs.signoffs.forms import CompareForm, SignForm
from jobs.signoffs.models import JobCard, SignOff
from jobs.web.bodies import length_first
from jobs.web.http import PersonRequest

COMPARE_MAX_BYTES = 16 * 1024 * 1024


@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
@never_cache
def sign(request: PersonRequest, pk: int, meaning: str) -> HttpResponse:
    """State what signing does, show what is signed, ask for the password, sign."""
    if meaning not in SignOff.Meaning.values:
        raise Http404("There is no such meaning to sign.")
    meant = SignOff.Meaning(meaning)
    order = order_queries.order_for(request.user, pk)
    policies.require(request.user, rules.ACTION_OF[meant])
    step = _hold_point(request, pk) if meant == SignOff.Meaning.HOLD_POINT else None
    form = SignForm(request.POST or None)
    if request.method == "POST" and form.carried_out(
        actions.sign, order, meaning=meant, step=step, by=request.user, at=timezone.now()
    ):
        messages.success(request, wording.entry_sentence(form.outcome))
        return redirect("work-order", pk=pk)
    context = _sign_context(request, order, meant, step, form)
    return render(request, "signoffs/sign.html", context, status=form.status)


def _hold_point(request: PersonRequest, pk: int) -> OrderStep:
    position = request.GET.get("step", "")
    if not position.isdecimal():
        raise Http404("Say which hold point is signed: its position as ?step=.")
    return order_queries.step_for(request.user, pk, int(position))


def _sign_context(
    request: PersonRequest, order: WorkOrder, meaning: SignOff.Meaning, step: OrderStep | None, form: SignForm
) -> dict[str, Any]:
    order = order_queries.order_for(request.user, order.pk)
    facts = queries.facts_for(order, meaning=meaning, person=request.user, at=timezone.now(), step=step)
    return {
        "order": order,
        "step": step,
        "meaning": meaning,
        "effect": wording.effect(meaning, order, step),
        "statement": wording.statement(meaning, order, step),
        "button": wording.button(meaning),
        "form": form,
        "seen_sha256": facts.content_sha256,
        "why_not": rules.why_not_sign(facts),
        "summary": summary.of(order, step),
        "standings": queries.standings(order),
        "title": wording.title(meaning, order, step),
    }


@require_GET
def signoff(request: PersonRequest, pk: int) -> HttpResponse:
    """What was signed, by whom, and whether it stands."""
    policies.require(request.user, "see-work")
    one = queries.signoff_for(request.user, pk)
    context = {"standing": queries.standing_of(one), "signoff": one, "order": one.work_order}
    return render(request, "signoffs/signoff.html", context)


@require_POST
def ask_card(request: PersonRequest, pk: int) -> HttpResponse:
    """Ask for the job card of an order as it stands, and show how it comes about."""
    order = order_queries.order_for(request.user, pk)
    errand = actions.ask_card(order, by=request.user, at=timezone.now())
    return redirect("errand", pk=errand.pk)


@require_GET
def job_card(request: PersonRequest, pk: int) -> HttpResponse:
    """One filed card: what it is, whether it still is what was filed, and where it can be had."""
    policies.require(request.user, "see-work")
    card = queries.card_for(request.user, pk)
    context = {**_about(card), "others": queries.cards_of(card.work_order).exclude(pk=card.pk)}
    return render(request, "signoffs/job_card.html", context)


@require_GET
def job_card_file(request: PersonRequest, pk: int) -> FileResponse:
    """The PDF, after proving that it is the one that was filed."""
    policies.require(request.user, "see-work")
    card = queries.card_for(request.user, pk)
    try:
        file = filing.store().opened(card.sha256)
    except StorageError as error:
        raise NotAllowed([Reason("card-lost", f"{error} Restore it from a back-up.")]) from None
    name = f"{card.work_order.number}-card-{card.number}.pdf"
    return FileResponse(file, content_type="application/pdf", filename=name)


@length_first(lambda request, token: COMPARE_MAX_BYTES)
@login_not_required
@require_http_methods(["GET", "POST"])
@never_cache
def verify_card(request: HttpRequest, token: str) -> HttpResponse:
    """For whoever holds a card: what was filed, how its sign-offs stand today, and whether theirs is it."""
    card = queries.card_by_token(token)
    compared = None
    form = CompareForm()
    if request.method == "POST":
        form = CompareForm(request.POST, request.FILES)
        if form.is_valid():
            compared = _compare(card, form.cleaned_data["file"])
    with timezone.override(card.shop.zone):
        context = {**_about(card), "form": form, "compared": compared}
        response = render(request, "signoffs/verify.html", context, status=422 if form.errors else 200)
    response["X-Robots-Tag"] = "noindex"  # its address is the secret that names the card
    return response


def _compare(card: JobCard, file: Any) -> dict[str, Any]:
    digest = hashlib.sha256()
    for chunk in file.chunks():
        digest.update(chunk)
    sha256 = digest.hexdigest()
    other = JobCard.objects.filter(work_order=card.work_order, sha256=sha256).exclude(pk=card.pk).first()
    return {"same": sha256 == card.sha256, "sha256": sha256, "other": other, "name": file.name}


def _about(card: JobCard) -> dict[str, Any]:
    order = card.work_order
    return {
        "card": card,
        "order": order,
        "verification": verification.check(card),
        "standings": queries.standings(order),
        "lost": queries.lost(order),
        "is_current": (card.content_sha256, card.order_state) == (documents.content_sha256(order), order.state),
        "newest": queries.cards_of(order).first(),
    }
