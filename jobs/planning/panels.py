"""What the plan adds to the pages of other rooms: where a work order stands on the board."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.http import HttpRequest

from jobs.orders.models import WorkOrder
from jobs.people import policies
from jobs.people.models import Person
from jobs.planning.gathering import PLANNED_STATES, changes_on, plan_in_force, standing
from jobs.planning.problem import ends
from jobs.web import panels


@panels.register("work-order", order=30)
def place_in_plan(order: WorkOrder, request: HttpRequest) -> tuple[str, dict[str, Any]] | None:
    """When the plan has the order ready, and the ways to the board and to a promise."""
    person = request.user
    if not isinstance(person, Person) or order.state not in PLANNED_STATES:
        return None
    in_force = plan_in_force(order.shop)
    may_plan = policies.may(person, "plan-shop")
    if in_force is None and not may_plan:
        return None
    end = ends(standing(in_force, changes_on(in_force))).get(order.number)
    context = {
        "order": order,
        "end": datetime.fromisoformat(end) if end is not None else None,
        "in_force": in_force,
        "may_plan": may_plan,
    }
    return "planning/_of_order.html", context
