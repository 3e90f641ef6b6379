"""Every change of a work order's state, each under the order's row lock."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from jobs.errors import BadInput, check_fields, refuse
from jobs.fleet import queries as fleet
from jobs.ledger.actions import Actor
from jobs.orders import facts, queries, rules
from jobs.orders.actions.common import local, locked_for, record, save
from jobs.orders.models import OrderStep, WorkOrder
from jobs.people.models import Person

State = WorkOrder.State


@transaction.atomic
def plan_order(
    order: WorkOrder,
    *,
    bay: str,
    planned_start: datetime,
    planned_end: datetime,
    technician: Person,
    inspector: Person,
    promised_at: datetime | None = None,
    by: Person,
    at: datetime,
    seen_revision: int | None = None,
) -> None:
    """Give the order its place, time and people; a planned order may be planned again until release."""
    order = locked_for(order.pk, by=by, action="plan-order", seen_revision=seen_revision)
    plan = rules.Planned(bay=bay, start=planned_start, end=planned_end, promised_at=promised_at)
    refuse(rules.why_not_in_reach(plan, at=at), BadInput)  # before any of them is turned into a day of the shop
    days = {local(planned_start, order).date(), local(planned_end, order).date()}
    people = facts.of_plan(
        order,
        technician=technician,
        inspector=inspector,
        days={day for day in days if day >= local(at, order).date()},  # of a past day the times say that it is over
        revision=queries.current_revision(order.procedure),
    )
    refuse(rules.why_not_plan(facts.of_order(order), plan, people, at=at))
    order.bay, order.technician, order.inspector = bay.strip(), technician, inspector
    order.planned_start, order.planned_end, order.promised_at = planned_start, planned_end, promised_at
    order.state = State.PLANNED
    check_fields(order)
    planned = ("bay", "technician", "inspector", "planned_start", "planned_end", "promised_at")
    save(order, "state", *planned)
    sentence = f"{order.number} planned in {order.bay} with {technician.name}, verified by {inspector.name}."
    data = {
        "bay": order.bay,
        "start": planned_start.isoformat(),
        "end": planned_end.isoformat(),
        "promised_at": promised_at.isoformat() if promised_at else None,
    }
    record("order.planned", order, by=by, at=at, sentence=sentence, about=[technician, inspector], data=data)


@transaction.atomic
def release_order(order: WorkOrder, *, by: Person, at: datetime, seen_revision: int | None = None) -> None:
    """Freeze engine type, procedure and spec, lay out the steps, and hand the order to the floor.

    A released order whose frozen revisions were superseded before work started is released again.
    """
    order = locked_for(order.pk, by=by, action="release-order", seen_revision=seen_revision)
    procedure_revision = queries.current_revision(order.procedure)
    refuse(rules.why_not_release(facts.of_order(order), facts.of_planned(order)))
    engine_type_revision = fleet.current_revision(order.engine.engine_type)
    assert procedure_revision is not None
    assert engine_type_revision is not None
    order.procedure_revision, order.engine_type_revision = procedure_revision, engine_type_revision
    order.spec, order.state, order.released_at = engine_type_revision.spec, State.RELEASED, at
    save(order, "procedure_revision", "engine_type_revision", "spec", "state", "released_at")
    order.steps.all().delete()
    OrderStep.objects.bulk_create(
        OrderStep(work_order=order, definition=definition, position=definition.position)
        for definition in procedure_revision.steps.order_by("position")
    )
    sentence = f"{order.number} released with {procedure_revision} and {engine_type_revision}."
    data = {
        "procedure": str(procedure_revision),
        "engine_type": str(engine_type_revision),
        "spec": order.spec,
    }
    about = [procedure_revision, engine_type_revision]
    record("order.released", order, by=by, at=at, sentence=sentence, about=about, data=data)


@transaction.atomic
def start_order(order: WorkOrder, *, by: Person, at: datetime, seen_revision: int | None = None) -> None:
    """Start work; refused when a newer revision was issued since release, or the engine has moved."""
    order = locked_for(order.pk, by=by, action="start-order", seen_revision=seen_revision)
    refuse(rules.why_not_start(facts.of_order(order)))
    order.state, order.started_at = State.IN_WORK, at
    save(order, "state", "started_at")
    record("order.started", order, by=by, at=at, sentence=f"Work on {order.number} started.")


@transaction.atomic
def hold_order(
    order: WorkOrder, *, reason: str, by: Person, at: datetime, seen_revision: int | None = None
) -> None:
    """Hold an open order, with a reason; it goes on later in the state it was held from."""
    order = locked_for(order.pk, by=by, action="hold-order", seen_revision=seen_revision)
    refuse(rules.why_not_text(reason, "reason", "Say why it is held."), BadInput)
    refuse(rules.why_not_hold(facts.of_order(order)))
    order.held_from, order.held_reason, order.state = order.state, reason.strip(), State.HELD
    save(order, "state", "held_from", "held_reason")
    sentence = f"{order.number} held: {order.held_reason}"
    record("order.held", order, by=by, at=at, sentence=sentence, data={"from": order.held_from})


@transaction.atomic
def resume_order(order: WorkOrder, *, by: Person, at: datetime, seen_revision: int | None = None) -> None:
    """Let a held order go on where it was held."""
    order = locked_for(order.pk, by=by, action="hold-order", seen_revision=seen_revision)
    refuse(rules.why_not_resume(facts.of_order(order)))
    order.state, order.held_from, order.held_reason = order.held_from, "", ""
    save(order, "state", "held_from", "held_reason")
    sentence = f"{order.number} goes on: {State(order.state).label}."
    record("order.resumed", order, by=by, at=at, sentence=sentence)


@transaction.atomic
def cancel_order(
    order: WorkOrder, *, reason: str, by: Person, at: datetime, seen_revision: int | None = None
) -> None:
    """Cancel an order on which no work has started, with a reason."""
    order = locked_for(order.pk, by=by, action="cancel-order", seen_revision=seen_revision)
    refuse(rules.why_not_text(reason, "reason", "Say why it is cancelled."), BadInput)
    refuse(rules.why_not_cancel(facts.of_order(order)))
    order.state, order.cancelled_reason = State.CANCELLED, reason.strip()
    order.held_from, order.held_reason = "", ""
    save(order, "state", "cancelled_reason", "held_from", "held_reason")
    sentence = f"{order.number} cancelled: {order.cancelled_reason}"
    record("order.cancelled", order, by=by, at=at, sentence=sentence)


# --- Called by the room of sign-offs only; it has asked who may sign ----------------------------------


@transaction.atomic
def mark_to_verify(order: WorkOrder, *, by: Person, at: datetime) -> None:
    """All steps done and every finding decided: ready for a second person."""
    order = locked_for(order.pk, by=by, action="sign-performed")
    refuse(rules.why_not_to_verify(facts.of_order(order)))
    order.state = State.TO_VERIFY
    save(order, "state")
    record("order.to-verify", order, by=by, at=at, sentence=f"{order.number} is ready to be verified.")


@transaction.atomic
def back_in_work(order: WorkOrder, *, why: str, by: Actor, at: datetime) -> None:
    """What was signed as performed changed: the order is in work again, or held from there."""
    order = queries.locked_order(order.pk)
    refuse(rules.why_not_back_in_work(facts.of_order(order)))
    field = "held_from" if order.state == State.HELD else "state"
    setattr(order, field, State.IN_WORK)
    save(order, field)
    sentence = f"{order.number} is back in work: {why}"
    record("order.back-in-work", order, by=by, at=at, sentence=sentence)


@transaction.atomic
def close_order(order: WorkOrder, *, by: Person, at: datetime) -> None:
    """Released to service: the order is closed."""
    order = locked_for(order.pk, by=by, action="sign-released")
    refuse(rules.why_not_close(facts.of_order(order)))
    order.state, order.closed_at = State.CLOSED, at
    save(order, "state", "closed_at")
    record("order.closed", order, by=by, at=at, sentence=f"{order.number} closed.", data=_outcome(order))


def _outcome(order: WorkOrder) -> dict[str, Any]:
    left = queries.stage_result(order, "as-left")
    return {"as_left_verdict": left.verdict, "deviation_deg": left.deviation_deg} if left else {}
