"""What the planner knows of an operation beyond its steps: how long it takes here, and whether it needs the crane."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from jobs.errors import BadInput, Reason, refuse
from jobs.ledger import actions as ledger
from jobs.orders.models import Procedure
from jobs.people import policies
from jobs.people.models import Person
from jobs.planning.learning import Minutes, minutes_of
from jobs.planning.models import CraneUse, Estimate, Place
from jobs.planning.rules.board import why_not_crane, why_not_minutes


@transaction.atomic
def set_estimate(
    procedure: Procedure, *, operation: str, minutes: int | None, by: Person, at: datetime
) -> None:
    """Enter the planned minutes of an operation of a procedure for this shop; None goes back to those of its steps."""
    policies.require(by, "plan-shop")
    known = _known(procedure, operation, by)
    refuse(why_not_minutes(minutes, moment=known.hold) if minutes is not None else (), BadInput)
    before = known.planned
    if minutes is None:
        Estimate.objects.filter(shop=by.shop, procedure=procedure, operation=operation).delete()
    else:
        Estimate.objects.update_or_create(
            shop=by.shop, procedure=procedure, operation=operation, defaults={"minutes": minutes}
        )
    now = known.of_steps if minutes is None else minutes
    if now == before:
        return
    ledger.append(
        "estimate.changed",
        chain=by.shop.code,
        by=by,
        at=at,
        sentence=f"{known.title} of “{procedure.title}” is planned with {now} min, {before} before.",
        about=[by],
        data={"procedure": procedure.code, "operation": operation, "minutes": minutes, "before": before},
    )


@transaction.atomic
def set_crane(procedure: Procedure, *, operation: str, crane: bool, by: Person, at: datetime) -> None:
    """Enter whether an operation of a procedure needs the crane in this shop; refused while the shop has none."""
    policies.require(by, "plan-shop")
    known = _known(procedure, operation, by)
    has_one = Place.objects.filter(shop=by.shop, kind=Place.Kind.CRANE).exists()
    refuse(why_not_crane(known.title, wanted=crane, has_one=has_one), BadInput)
    if crane == known.crane:
        return
    if crane:
        CraneUse.objects.get_or_create(shop=by.shop, procedure=procedure, operation=operation)
    else:
        CraneUse.objects.filter(shop=by.shop, procedure=procedure, operation=operation).delete()
    ledger.append(
        "crane-use.changed",
        chain=by.shop.code,
        by=by,
        at=at,
        sentence=f"{known.title} of “{procedure.title}” is planned with{'' if crane else 'out'} the crane.",
        about=[by],
        data={"procedure": procedure.code, "operation": operation, "crane": crane},
    )


def _known(procedure: Procedure, operation: str, by: Person) -> Minutes:
    known = {one.code: one for one in minutes_of(by.shop, procedure)}
    if operation not in known:
        raise BadInput([Reason("unknown-operation", f"{procedure.title} has no operation {operation}.", "operation")])
    return known[operation]
