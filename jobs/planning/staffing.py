"""Who does an order and who looks a second time, from a plan that names a person for each operation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from jobs.people.models import Role
from jobs.planning.gathering import OrderFacts, PersonFacts
from jobs.planning.problem import operation_id

VERIFYING = "verify-timing"


@dataclass(frozen=True)
class Crew:
    """The bay by its name, and the keys of the people; None where the plan has nobody."""

    bay: str
    technician: int | None
    inspector: int | None


def of_order(
    order: OrderFacts,
    bookings: Mapping[str, Mapping[str, Any]],
    *,
    places: Mapping[str, str],
    people: Mapping[str, PersonFacts],
    zone: ZoneInfo,
) -> Crew:
    """The technician is who has most of the order's minutes; the inspector has its first hold point.

    For work in hand those named on the order stay. Without a hold point still to come the inspector is the one the
    order has, else the first who may verify on its last day and does not do the work.
    """
    bay = order.bay if order.started_at else ""
    minutes: dict[int, float] = {}
    inspector: int | None = None
    last: datetime | None = None
    for operation in order.operations:
        booking = bookings.get(operation_id(order.number, operation.code))
        if booking is None:
            continue
        start, end = (datetime.fromisoformat(booking[name]) for name in ("start", "end"))
        last = end if last is None else max(last, end)
        for resource in booking["resources"]:
            if resource in places:
                bay = places[resource]
            elif resource in people and operation.second_person:
                inspector = inspector or people[resource].pk
            elif resource in people:
                who = people[resource].pk
                minutes[who] = minutes.get(who, 0.0) + (end - start).total_seconds() / 60
    technician = order.technician if order.started_at else None
    if technician is None:
        able = [who for who in minutes if who != inspector] or list(minutes)
        technician = max(able, key=lambda who: (minutes[who], -who), default=None)
    if inspector is None or inspector == technician:
        inspector = _another(order, technician, people, last, zone)
    return Crew(bay, technician, inspector)


def _another(
    order: OrderFacts,
    technician: int | None,
    people: Mapping[str, PersonFacts],
    last: datetime | None,
    zone: ZoneInfo,
) -> int | None:
    if order.inspector is not None and order.inspector != technician:
        return order.inspector
    if last is None:
        return None
    day = last.astimezone(zone).date()
    able = [
        one.pk
        for one in people.values()
        if one.pk != technician
        and any(name == Role.INSPECTOR and s <= day and (u is None or day <= u) for name, s, u in one.roles)
        and any(name == VERIFYING and s <= day and (u is None or day <= u) for name, s, u in one.skills)
    ]
    return min(able, default=None)
