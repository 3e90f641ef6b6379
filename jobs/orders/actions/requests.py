"""Asking for work on a unit."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.db.models.functions import Length

from jobs.errors import BadInput, Reason, check_fields, refuse
from jobs.fleet import queries as fleet
from jobs.fleet.models import Unit
from jobs.orders import rules
from jobs.orders.actions.common import record
from jobs.orders.models import Procedure, WorkOrder
from jobs.people import policies
from jobs.people.models import Person, Shop


@transaction.atomic
def request_order(
    *,
    unit: Unit,
    procedure: Procedure,
    reason: str,
    reason_note: str = "",
    priority: int = WorkOrder.Priority.ROUTINE,
    needed_by: datetime | None = None,
    by: Person,
    at: datetime,
) -> WorkOrder:
    """Request a work order for the engine that is in the unit now, in the shop of the one who asks.

    Its number is `BY-2026-0001`: shop, year in the shop's zone, and a counter without gaps. Raises
    `WrongPerson`, `BadInput` for values that cannot be taken, `NotAllowed` for a unit without an engine.
    """
    policies.require(by, "request-order")
    shop = Shop.objects.select_for_update().get(pk=by.shop_id)
    engine = fleet.engine_in(unit)
    refuse(_why_not_values(reason, priority), BadInput)
    refuse(rules.why_not_request(unit=unit.number, has_engine=engine is not None, needed_by=needed_by, at=at))
    assert engine is not None
    order = WorkOrder(
        shop=shop,
        number=_next_number(shop, at),
        unit=unit,
        engine=engine,
        procedure=procedure,
        reason=reason,
        reason_note=reason_note.strip(),
        priority=priority,
        needed_by=needed_by,
        requested_by=by,
        requested_at=at,
    )
    check_fields(order)
    order.save(force_insert=True)
    sentence = f"{order.number} requested for unit {unit.number}: {order.get_reason_display()}."
    data = {"reason": reason, "priority": priority, "procedure": procedure.code}
    record("order.requested", order, by=by, at=at, sentence=sentence, data=data)
    return order


def _why_not_values(reason: str, priority: int) -> list[Reason]:
    reasons = []
    if reason not in WorkOrder.Reason.values:
        reasons.append(Reason("unknown-reason", "Choose one of the reasons.", "reason"))
    if priority not in WorkOrder.Priority.values:
        reasons.append(Reason("unknown-priority", "Choose urgent, next or routine.", "priority"))
    return reasons


def _next_number(shop: Shop, at: datetime) -> str:
    """The next number of the shop in the year of `at`; the shop's row is locked, which keeps it gapless."""
    prefix = f"{shop.code}-{at.astimezone(shop.zone).year}-"
    # By length first: 10000 comes after 9999.
    longest_first = WorkOrder.objects.filter(number__startswith=prefix).order_by(
        Length("number").desc(), "-number"
    )
    last = longest_first.values_list("number", flat=True).first()
    counter = int(last.removeprefix(prefix)) + 1 if last else 1
    return f"{prefix}{counter:04d}"
