"""One trace: how far its analysis is, then its verdict with all that it stands on."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import FileResponse, Http404, HttpResponse, JsonResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from jobs.errands.models import Errand
from jobs.errors import NotAllowed, Reason
from jobs.orders import actions, plots, queries, storage
from jobs.orders.hand import readings_of
from jobs.orders.models import Analysis, Trace, WorkOrder
from jobs.orders.results import gives_a_verdict
from jobs.orders.views.order import results_of
from jobs.orders.views.step import redirect_303
from jobs.orders.watching import correction_of, errand_of, given_up
from jobs.people import policies
from jobs.web import panels
from jobs.web.components.drawings import verdict_of
from jobs.web.http import PersonRequest

RESULT = Analysis.Outcome.RESULT


@require_GET
@never_cache
def trace(request: PersonRequest, pk: UUID) -> HttpResponse:
    """What one trace says about the engine, or how far its analysis is."""
    policies.require(request.user, "see-work")
    found = queries.trace_for(request.user, pk)
    analyses = list(found.analyses.order_by("-number"))
    newest = analyses[0] if analyses else None
    errand = errand_of(found)
    result: dict[str, Any] = newest.result if newest is not None and newest.outcome == RESULT else {}
    context = {
        "trace": found,
        "order": found.work_order,
        "errand": errand,
        "analysis": newest,
        "earlier": analyses[1:],
        "result": result,
        "refused": newest.result.get("refused") if newest is not None and not result else None,
        "failed_checks": [check for check in result.get("checks", []) if not check["passed"]],
        "correction": correction_of(newest) if newest is not None and result else None,
        "shares": [(line, 100 * line["share"]) for line in result.get("budget", [])],
        "spec": (newest.spec if newest is not None else found.work_order.spec) or {},
        "status": verdict_of(newest) if newest is not None else "not analysed",
        "waiting": newest is None and errand is not None and not errand.ended,
        **_asking(request, found, newest, errand),
        **_next(request, found, newest),
        "not_held": _why_not_held(found),
        "hand": readings_of(found),
        "panels": panels.drawn("trace", found, request),
        **_circle(found, newest),
        **_in_turn(newest),
    }
    return render(request, "orders/trace.html", context)


def _asking(request: PersonRequest, found: Trace, newest: Analysis | None, errand: Errand | None) -> dict[str, bool]:
    """Whether the analysis failed for good, and whether this person can ask for it again."""
    failed = newest is None and given_up(found, errand)
    never_asked = newest is None and errand is None
    is_dead = found.work_order.state == WorkOrder.State.CANCELLED
    may = policies.may(request.user, "upload-trace") and not is_dead
    return {"failed": failed, "can_ask": may and (failed or never_asked)}


def _why_not_held(found: Trace) -> str:
    """Why the bytes in the store are no longer what was handed in, or nothing when they are."""
    try:
        storage.traces().opened(found.bytes_id).close()
    except storage.StorageError as error:
        return str(error)
    return ""


def _next(request: PersonRequest, found: Trace, newest: Analysis | None) -> dict[str, bool]:
    """What its step waits for, when this trace is the one that counts: a verdict read, or another trace."""
    step, counts = found.step, queries.latest_trace(found.step)
    is_open = step.state == step.State.OPEN and policies.may(request.user, "do-step")
    at_work = is_open and counts is not None and counts.pk == found.pk
    stands = newest is not None and gives_a_verdict(newest)
    return {
        "at_work": at_work,
        "can_confirm": at_work and stands,
        "sweep_again": at_work and newest is not None and not stands,
    }


def _circle(found: Trace, newest: Analysis | None) -> dict[str, Any]:
    """As-found and as-left for the timing circle: this trace at its own stage, the counting one at the other."""
    shown = results_of(found.work_order)
    shown["as_found" if found.stage == "as-found" else "as_left"] = newest
    return shown


def _in_turn(newest: Analysis | None) -> dict[str, Any]:
    """The reference in the turn of its target, and whether the encoder counted whole turns beside."""
    if newest is None or newest.reference_deg is None or newest.deviation_deg is None:
        return {"in_turn_deg": None, "whole_turns": False}
    in_turn_deg = float(newest.spec.get("target_deg", 0.0)) + newest.deviation_deg
    return {"in_turn_deg": in_turn_deg, "whole_turns": abs(newest.reference_deg - in_turn_deg) > 180}


@require_GET
def plot(request: PersonRequest, pk: UUID) -> JsonResponse:
    """The sweeps of a trace for its plot, reduced to what can be seen; `?from=&to=` in crank degrees for a part."""
    policies.require(request.user, "see-work")
    found = queries.trace_for(request.user, pk)
    newest = queries.latest_analysis(found)
    if newest is None or newest.outcome != RESULT:
        raise Http404("There is no result to plot.")
    try:
        return JsonResponse(plots.series(found, newest, window=_window(request)))
    except storage.StorageError as error:
        raise _lost(error) from None


def _window(request: PersonRequest) -> tuple[float, float] | None:
    """The part asked for, or None for all of it, also when what was asked for makes no sense."""
    try:
        low, high = float(request.GET["from"]), float(request.GET["to"])
    except (KeyError, ValueError):
        return None
    return (low, high) if -1e9 < low < high < 1e9 else None


@require_GET
def trace_file(request: PersonRequest, pk: UUID) -> FileResponse:
    """The bytes of a trace, proved to be the same as were handed in."""
    policies.require(request.user, "see-work")
    found = queries.trace_for(request.user, pk)
    try:
        file = storage.traces().opened(found.bytes_id)
    except storage.StorageError as error:
        raise _lost(error) from None
    return FileResponse(file, as_attachment=True, filename=found.filename, content_type="application/octet-stream")


def _lost(error: storage.StorageError) -> NotAllowed:
    return NotAllowed([Reason("bytes-lost", f"{error} Restore it from a back-up.")])


@require_POST
def analyse_again(request: PersonRequest, pk: UUID) -> HttpResponse:
    """Ask a worker for another analysis of a trace."""
    found = queries.trace_for(request.user, pk)
    actions.analyse_again(found, by=request.user, at=timezone.now())
    messages.success(request, "A worker has been asked to analyse the trace.")
    return redirect_303(reverse("trace", args=[found.pk]))
