"""Issuing a procedure revision: from then on new work is released with it, and it never changes again."""

from __future__ import annotations

import hashlib
from datetime import datetime

from django.db import transaction

from jobs.errors import refuse
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.ledger.chain import canonical
from jobs.orders import rules
from jobs.orders.models import Procedure, ProcedureRevision, ProcedureStep
from jobs.people import policies
from jobs.people.models import Person, Shop

_COVERED = (
    "position", "phase", "kind", "title", "instruction", "signal_word", "hazard", "consequence", "avoidance",
    "quantity", "unit", "low", "high", "points", "instrument_kinds", "stage", "optional_when", "planned_minutes",
)  # fmt: skip


@transaction.atomic
def issue_procedure(revision: ProcedureRevision, *, by: Person | System, at: datetime, shop: Shop) -> None:
    """Issue a drafted revision with its steps; the ledger keeps the SHA-256 of their canonical JSON."""
    policies.require(by, "keep-procedures")
    procedure = Procedure.objects.select_for_update().get(pk=revision.procedure_id)
    revision.refresh_from_db()
    issued = procedure.revisions.filter(issued_at__isnull=False).order_by("-number").first()
    steps = list(revision.steps.select_related("skill"))
    refuse(
        rules.why_not_issue(
            title=str(revision),
            number=revision.number,
            already_issued=revision.issued_at is not None,
            newest_issued=issued.number if issued else 0,
            positions=tuple(step.position for step in steps),
        )
    )
    revision.issued_at = at
    revision.issued_by = by if isinstance(by, Person) else None
    revision.save(update_fields=["issued_at", "issued_by"])
    covered = canonical([_covered(step) for step in steps])
    ledger.append(
        "procedure.issued",
        chain=shop.code,
        by=by,
        at=at,
        sentence=f"{revision} issued, {len(steps)} steps.",
        about=[revision, *policies.acting(by)],
        data={
            "procedure": procedure.code,
            "revision": revision.number,
            "steps_sha256": hashlib.sha256(covered).hexdigest(),
            "change_note": revision.change_note,
        },
    )


def _covered(step: ProcedureStep) -> dict[str, object]:
    values = {name: getattr(step, name) for name in _COVERED}
    for name in ("low", "high"):
        values[name] = None if values[name] is None else str(values[name])
    return {**values, "skill": step.skill.code}
