"""The board: the shop's work orders with what a glance should tell, and which of them wait for whom."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery

from jobs.orders.models import Analysis, Finding, OrderStep, ProcedureStep, WorkOrder
from jobs.orders.queries import orders_for
from jobs.people.models import Person

State = WorkOrder.State
CLOSED = (State.CLOSED, State.CANCELLED)

NEEDS: list[tuple[str, str]] = [
    ("plan", "a plan"),
    ("release", "a release to the floor"),
    ("work", "work"),
    ("second-person", "a second person"),
    ("decision", "a decision about a finding"),
    ("go-ahead", "the end of a hold"),
]
STATES: list[tuple[str, str]] = [("open", "open"), ("every", "every state"), *State.choices]
SORTS = {
    "number": ["number"],
    "unit": ["unit__number"],
    "priority": ["priority", "needed_by"],
    "state": ["state", "priority"],
    "needed_by": ["needed_by"],
    "promised_at": ["promised_at"],
    "planned_start": ["planned_start"],
    "bay": ["bay", "planned_start"],
    "requested_at": ["requested_at"],
}


@dataclass(frozen=True)
class Row:
    """A work order on the board: how far it is, whether it is late, and the verdict found last."""

    order: WorkOrder
    done: int
    steps: int
    analysis: Analysis | None
    undecided: int
    late: bool


def filtered(person: Person, wanted: dict[str, Any], *, at: datetime) -> QuerySet[WorkOrder]:
    """The shop's work orders as the filter wants them; open ones unless it says otherwise."""
    rows = orders_for(person)
    if words := wanted.get("words"):
        rows = rows.filter(
            Q(number__icontains=words) | Q(unit__number__icontains=words) | Q(engine__serial__icontains=words)
        )
    rows = _in_state(rows, wanted.get("state") or "open")
    if needs := wanted.get("needs"):
        rows = _waiting_for(rows, needs)
    if wanted.get("who") == "mine":
        rows = rows.filter(Q(technician=person) | Q(inspector=person))
    if priority := wanted.get("priority"):
        rows = rows.filter(priority=priority)
    if bay := wanted.get("bay"):
        rows = rows.filter(bay=bay)
    if wanted.get("late"):
        rows = rows.filter(Q(needed_by__lt=at) | Q(promised_at__lt=at)).exclude(state__in=CLOSED)
    return rows


def open_beside(order: WorkOrder) -> list[str]:
    """Numbers of other orders of the same unit and shop that are neither closed nor cancelled."""
    same = WorkOrder.objects.filter(shop=order.shop_id, unit=order.unit_id).exclude(state__in=CLOSED)
    return list(same.exclude(pk=order.pk).order_by("number").values_list("number", flat=True))


def _in_state(rows: QuerySet[WorkOrder], state: str) -> QuerySet[WorkOrder]:
    if state == "open":
        return rows.exclude(state__in=CLOSED)
    return rows if state == "every" else rows.filter(state=state)


def _waiting_for(rows: QuerySet[WorkOrder], needs: str) -> QuerySet[WorkOrder]:
    of_order = OrderStep.objects.filter(work_order=OuterRef("pk"), state=OrderStep.State.OPEN)
    next_kind = Subquery(of_order.order_by("position").values("definition__kind")[:1])
    hold_point = ProcedureStep.Kind.HOLD_POINT
    if needs == "second-person":
        rows = rows.annotate(next_kind=next_kind)
        return rows.filter(Q(state=State.TO_VERIFY) | Q(state=State.IN_WORK, next_kind=hold_point))
    if needs == "work":
        rows = rows.annotate(next_kind=next_kind)
        return rows.filter(state__in=[State.RELEASED, State.IN_WORK]).exclude(next_kind=hold_point)
    if needs == "decision":
        return rows.filter(Exists(Finding.objects.filter(work_order=OuterRef("pk"), decision="")))
    state = {"plan": State.REQUESTED, "release": State.PLANNED, "go-ahead": State.HELD}[needs]
    return rows.filter(state=state)


def rows_of(orders: Iterable[WorkOrder], *, at: datetime) -> list[Row]:
    """What the board shows of some orders, in three queries however many they are."""
    listed = list(orders)
    progress = {
        row["work_order"]: (row["done"], row["steps"])
        for row in OrderStep.objects.filter(work_order__in=listed)
        .values("work_order")
        .annotate(steps=Count("pk"), done=Count("pk", filter=~Q(state=OrderStep.State.OPEN)))
        .order_by()
    }
    undecided = dict(
        Finding.objects.filter(work_order__in=listed, decision="")
        .values_list("work_order")
        .annotate(Count("pk"))
        .order_by()
    )
    newest = _newest_analyses(listed)
    return [
        Row(
            order,
            *progress.get(order.pk, (0, 0)),
            newest.get(order.pk),
            undecided.get(order.pk, 0),
            is_late(order, at),
        )
        for order in listed
    ]


def is_late(order: WorkOrder, at: datetime) -> bool:
    """Whether the earlier of what was needed and what was promised is over, and the order still open."""
    due = min((moment for moment in (order.needed_by, order.promised_at) if moment), default=None)
    return order.is_open and due is not None and due < at


def _newest_analyses(orders: list[WorkOrder]) -> dict[int, Analysis]:
    """The standing analysis of the trace handed in last, for each order that has one."""
    found = (
        Analysis.objects.filter(trace__work_order__in=orders, superseded_by__isnull=True)
        .select_related("trace")
        .defer("result")
        .order_by("trace__uploaded_at", "trace_id")
    )
    return {analysis.trace.work_order_id: analysis for analysis in found}


def counts(person: Person) -> dict[str, int]:
    """How many work orders of the shop are in each state."""
    rows = WorkOrder.objects.filter(shop=person.shop_id).values_list("state").annotate(Count("pk")).order_by()
    return {str(state): number for state, number in rows}


def bays(person: Person) -> list[str]:
    """The bays that open work orders of the shop are planned for."""
    rows = WorkOrder.objects.filter(shop=person.shop_id).exclude(state__in=CLOSED).exclude(bay="")
    return list(rows.values_list("bay", flat=True).order_by("bay").distinct())
