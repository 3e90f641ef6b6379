"""The place that an accepted plan of the shop has for an order."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from jobs.errors import check_fields, refuse
from jobs.orders import facts, rules
from jobs.orders.actions.common import local, locked_for, record, save
from jobs.orders.models import WorkOrder
from jobs.people.models import Person

State = WorkOrder.State


@transaction.atomic
def place_order(
    order: WorkOrder,
    *,
    bay: str,
    planned_start: datetime,
    planned_end: datetime,
    technician: Person,
    inspector: Person,
    version: int,
    by: Person,
    at: datetime,
) -> bool:
    """Take over bay, times and people of plan `version`; a requested order is planned by that. False when all is so.

    Skills and instruments of each operation were judged with the plan; here it is asked who the people are.
    """
    order = locked_for(order.pk, by=by, action="plan-shop")
    new = (bay, planned_start, planned_end, technician.pk, inspector.pk)
    old = (order.bay, order.planned_start, order.planned_end, order.technician_id, order.inspector_id)
    if old == new and order.state != State.REQUESTED:
        return False
    days = {local(planned_start, order).date(), local(planned_end, order).date()}
    people = facts.of_plan(
        order,
        technician=technician,
        inspector=inspector,
        days={day for day in days if day >= local(at, order).date()},
        revision=None,
    )
    refuse(rules.why_not_place(facts.of_order(order), bay, people))
    order.bay, order.technician, order.inspector = bay, technician, inspector
    order.planned_start, order.planned_end = planned_start, planned_end
    if order.state == State.REQUESTED:
        order.state = State.PLANNED
    check_fields(order)
    save(order, "state", "bay", "technician", "inspector", "planned_start", "planned_end")
    sentence = (
        f"{order.number} placed in {bay} by plan {version}, with {technician.name}, verified by {inspector.name}."
    )
    data = {
        "bay": bay,
        "start": planned_start.isoformat(),
        "end": planned_end.isoformat(),
        "promised_at": order.promised_at.isoformat() if order.promised_at else None,
        "plan": version,
    }
    record("order.planned", order, by=by, at=at, sentence=sentence, about=[technician, inspector], data=data)
    return True


@transaction.atomic
def promise_order(order: WorkOrder, *, promised_at: datetime, by: Person, at: datetime) -> None:
    """Promise the unit back by an instant, or move the promise."""
    order = locked_for(order.pk, by=by, action="plan-shop")
    refuse(rules.why_not_promise(facts.of_order(order), promised_at, at=at))
    before, order.promised_at = order.promised_at, promised_at
    save(order, "promised_at")
    shown = f"{local(promised_at, order):%Y-%m-%d %H:%M}"
    moved = f", moved from {local(before, order):%Y-%m-%d %H:%M}" if before is not None else ""
    record(
        "order.promised", order, by=by, at=at, sentence=f"{order.unit} is promised by {shown}{moved}.",
        data={"promised_at": promised_at.isoformat(), "before": before.isoformat() if before else None},
    )  # fmt: skip
