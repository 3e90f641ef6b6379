"""The places that an accepted plan of the shop has for its orders, and promises."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.http import Http404

from jobs.errors import check_fields, refuse
from jobs.ledger import actions as ledger
from jobs.orders import facts, queries, rules
from jobs.orders.actions.common import local, locked_for, record, save
from jobs.orders.models import WorkOrder
from jobs.people import policies
from jobs.people.models import Person

State = WorkOrder.State


@dataclass(frozen=True)
class Placement:
    """The place that a plan has for one order."""

    order: int
    bay: str
    start: datetime
    end: datetime
    technician: Person
    inspector: Person


@transaction.atomic
def place_orders(placements: Iterable[Placement], *, version: int, by: Person, at: datetime) -> int:
    """Take over bay, times and people of plan `version`; requested orders are planned by that. How many it changed.

    Skills and instruments of each operation were judged with the plan; here it is asked who the people are. All
    orders are read and locked together, and the ledger's head is locked once: a plan has hundreds.
    """
    policies.require(by, "plan-shop")
    found = list(placements)
    orders = queries.locked_orders(one.order for one in found)
    people = facts.People()
    notes = []
    for placement in sorted(found, key=lambda one: one.order):
        order = orders.get(placement.order)
        if order is None or order.shop_id != by.shop_id:
            raise Http404("There is no such work order in your shop.")
        if _stands(order, placement):
            continue
        days = {local(placement.start, order).date(), local(placement.end, order).date()}
        asked = people.of_place(
            order, placement.technician, placement.inspector, {day for day in days if day >= local(at, order).date()}
        )
        state = rules.OrderFacts(order.number, order.state, order.held_from, order.held_reason)
        refuse(rules.why_not_place(state, placement.bay, asked))
        _lay(order, placement)
        save(order, *PLACED)  # row by row: to write all in one statement takes Django four times as long
        notes.append(_noted(order, placement, version, by))
    ledger.append_all(notes, chain=by.shop.code, by=by, at=at)
    return len(notes)


PLACED = ("state", "bay", "technician", "inspector", "planned_start", "planned_end")


def _stands(order: WorkOrder, placement: Placement) -> bool:
    """Whether the order is there already."""
    new = (placement.bay, placement.start, placement.end, placement.technician.pk, placement.inspector.pk)
    old = (order.bay, order.planned_start, order.planned_end, order.technician_id, order.inspector_id)
    return old == new and order.state != State.REQUESTED


def _lay(order: WorkOrder, placement: Placement) -> None:
    order.bay, order.technician, order.inspector = placement.bay, placement.technician, placement.inspector
    order.planned_start, order.planned_end = placement.start, placement.end
    if order.state == State.REQUESTED:
        order.state = State.PLANNED
    # What the other fields name was not touched; to ask for it again takes ten queries an order.
    untouched = {one.name for one in WorkOrder._meta.fields if one.name not in PLACED}
    check_fields(order, leave_out=untouched | {"technician", "inspector"})


def _noted(order: WorkOrder, placement: Placement, version: int, by: Person) -> ledger.Note:
    who, seen_by = placement.technician, placement.inspector
    return ledger.Note(
        "order.planned",
        f"{order.number} placed in {placement.bay} by plan {version}, with {who.name}, verified by {seen_by.name}.",
        [order, order.unit, order.engine, by, who, seen_by],
        {
            "bay": placement.bay,
            "start": placement.start.isoformat(),
            "end": placement.end.isoformat(),
            "promised_at": order.promised_at.isoformat() if order.promised_at else None,
            "plan": version,
        },
    )


@transaction.atomic
def unplace_orders(orders: Iterable[int], *, version: int, by: Person, at: datetime) -> int:
    """Give back bay, times and people of orders without a place in plan `version`. How many it changed.

    They are requested again, as they were before they were planned. Work that is released keeps who does it: it goes
    on, whatever the plan says.
    """
    policies.require(by, "plan-shop")
    notes = []
    for order in queries.locked_orders(orders).values():
        if order.shop_id != by.shop_id:
            raise Http404("There is no such work order in your shop.")
        if order.open_state != State.PLANNED:
            continue
        bay, had = order.bay, [one for one in (order.technician, order.inspector) if one is not None]
        order.bay, order.technician, order.inspector = "", None, None
        order.planned_start = order.planned_end = None
        if order.state == State.HELD:
            order.held_from = State.REQUESTED
        else:
            order.state = State.REQUESTED
        save(order, *PLACED, "held_from")
        notes.append(ledger.Note(
            "order.unplanned",
            f"{order.number} has no place in plan {version}; it had {bay}.",
            [order, order.unit, order.engine, by, *had],
            {"plan": version, "bay": bay},
        ))  # fmt: skip
    ledger.append_all(notes, chain=by.shop.code, by=by, at=at)
    return len(notes)


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
