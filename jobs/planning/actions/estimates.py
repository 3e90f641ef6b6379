"""The planned minutes of an operation, where the planner knows better than its steps."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from jobs.errors import BadInput, Reason, refuse
from jobs.ledger import actions as ledger
from jobs.orders.models import Procedure
from jobs.people import policies
from jobs.people.models import Person
from jobs.planning.learning import minutes_of
from jobs.planning.models import Estimate
from jobs.planning.rules.board import why_not_minutes


@transaction.atomic
def set_estimate(
    procedure: Procedure, *, operation: str, minutes: int | None, by: Person, at: datetime
) -> None:
    """Enter the planned minutes of an operation of a procedure for this shop; None goes back to those of its steps."""
    policies.require(by, "plan-shop")
    known = {one.code: one for one in minutes_of(by.shop, procedure)}
    if operation not in known:
        raise BadInput([Reason("unknown-operation", f"{procedure.title} has no operation {operation}.", "operation")])
    refuse(why_not_minutes(minutes) if minutes is not None else (), BadInput)
    before = known[operation].planned
    if minutes is None:
        Estimate.objects.filter(shop=by.shop, procedure=procedure, operation=operation).delete()
    else:
        Estimate.objects.update_or_create(
            shop=by.shop, procedure=procedure, operation=operation, defaults={"minutes": minutes}
        )
    now = known[operation].of_steps if minutes is None else minutes
    if now == before:
        return
    ledger.append(
        "estimate.changed",
        chain=by.shop.code,
        by=by,
        at=at,
        sentence=f"{known[operation].title} of “{procedure.title}” is planned with {now} min, {before} before.",
        about=[by],
        data={"procedure": procedure.code, "operation": operation, "minutes": minutes, "before": before},
    )
