"""The board of the shop's work orders, and the request for a new one."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

from django.contrib import messages
from django.db.models import Prefetch, QuerySet
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods

from jobs.fleet.models import Installation, Unit
from jobs.orders import actions, board, forms
from jobs.orders.models import WorkOrder
from jobs.people import policies
from jobs.web.components.drawings import verdict_of
from jobs.web.http import PersonRequest
from jobs.web.lists import csv_answer, page_of, sorted_by

COLUMNS = (
    "number", "unit", "engine", "engine type", "reason", "priority", "state", "held because", "bay", "planned start",
    "planned end", "needed by", "promised by", "technician", "inspector", "requested at", "closed at", "steps done",
    "steps", "findings not decided", "verdict", "deviation in deg", "expanded uncertainty in deg",
)  # fmt: skip


@require_GET
def board_page(request: PersonRequest, *, as_csv: bool = False) -> HttpResponseBase:
    """Which work the shop has, how far each job is, and what each waits for."""
    policies.require(request.user, "see-work")
    at = timezone.now()
    form = forms.BoardFilterForm(request.GET, bays=board.bays(request.user))
    wanted = form.cleaned_data if form.is_valid() else {}
    rows = board.filtered(request.user, wanted, at=at)
    rows = sorted_by(request, rows, board.SORTS, default="priority")
    if as_csv:
        return csv_answer(f"{request.user.shop.code}-work-orders", COLUMNS, _lines(rows, at))
    page = page_of(request, rows)
    context = {
        "form": form,
        "page": page,
        "rows": board.rows_of(page.object_list, at=at),
        "counts": _counts(request),
        "filtered": any(value not in {"", None, False} for value in wanted.values()),
        "today": request.user.shop.today(),
    }
    return render(request, "orders/board.html", context)


def _counts(request: PersonRequest) -> list[tuple[str, str, int]]:
    """(state, its word, how many) of every state that has any, and of all that are open."""
    found = board.counts(request.user)
    still_open = sum(number for state, number in found.items() if state not in board.CLOSED)
    states = [(state, str(label), found[state]) for state, label in WorkOrder.State.choices if state in found]
    return [("open", "open", still_open), *states]


def _lines(rows: QuerySet[WorkOrder], at: datetime) -> Iterator[list[Any]]:
    batch: list[WorkOrder] = []
    for order in rows.iterator(chunk_size=500):
        batch.append(order)
        if len(batch) == 500:
            yield from _batch(batch, at)
            batch = []
    yield from _batch(batch, at)


def _batch(orders: list[WorkOrder], at: datetime) -> Iterator[list[Any]]:
    for row in board.rows_of(orders, at=at):
        order, analysis = row.order, row.analysis
        yield [
            order.number, order.unit.number, order.engine.serial, order.engine.engine_type.code,
            order.get_reason_display(), order.get_priority_display(), order.get_state_display(), order.held_reason,
            order.bay, _local(order.planned_start), _local(order.planned_end), _local(order.needed_by),
            _local(order.promised_at), order.technician and order.technician.name,
            order.inspector and order.inspector.name, _local(order.requested_at), _local(order.closed_at),
            row.done, row.steps, row.undecided, analysis and verdict_of(analysis),
            analysis and analysis.deviation_deg, analysis and analysis.expanded_uncertainty_deg,
        ]  # fmt: skip


def _local(at: datetime | None) -> str:
    return timezone.localtime(at).isoformat(timespec="minutes") if at else ""


@require_http_methods(["GET", "POST"])
def order_new(request: PersonRequest) -> HttpResponse:
    """Request a work order for the engine that is in a unit now."""
    policies.require(request.user, "request-order")
    now_in = Installation.objects.filter(until_on__isnull=True).select_related("engine")
    units = Unit.objects.prefetch_related(Prefetch("installations", queryset=now_in, to_attr="installed_now"))
    posted = request.POST if request.method == "POST" else None
    form = forms.RequestForm(units, posted, initial={"unit": request.GET.get("unit")})
    if request.method == "POST" and form.carried_out(actions.request_order, by=request.user, at=timezone.now()):
        messages.success(request, f"{form.outcome.number} requested. A planner gives it a bay, people and a time.")
        if beside := board.open_beside(form.outcome):
            messages.warning(
                request,
                f"{form.outcome.unit.number} has {' and '.join(beside)} open as well. A plan does not know that a unit "
                "can be in one bay only: plan one after the other by hand, or cancel what is not needed.",
            )
        return redirect("work-order", pk=form.outcome.pk)
    return render(request, "orders/order_new.html", {"form": form}, status=form.status)
