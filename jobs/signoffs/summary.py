"""What a signer is shown of the record before signing: verdicts and counts."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import QuerySet

from jobs.orders import queries as order_queries
from jobs.orders.models import Analysis, OrderStep, ProcedureStep, Reading, WorkOrder


@dataclass(frozen=True)
class Summary:
    """Counts over the steps that a signature covers, and the results that count."""

    steps: int
    done: int
    not_needed: int
    readings: int
    corrections: int
    outside: int
    traces: int
    findings: int
    accepted: int
    as_found: Analysis | None
    as_left: Analysis | None
    tolerance_deg: float | None


def of(order: WorkOrder, step: OrderStep | None = None) -> Summary:
    """The summary of a whole order, or of what comes before a hold point."""
    steps = order.steps.all() if step is None else order.steps.filter(position__lt=step.position)
    readings = Reading.objects.filter(step__in=steps)
    findings = order.findings.all() if step is None else order.findings.filter(step__in=steps)
    stages = {
        stage: order_queries.stage_result(order, stage) if _reached(steps, stage) else None
        for stage in ProcedureStep.Stage.values
    }
    tolerance = (order.spec or {}).get("tolerance_deg")
    return Summary(
        steps=steps.count(),
        done=steps.filter(state=OrderStep.State.DONE).count(),
        not_needed=steps.filter(state=OrderStep.State.NOT_NEEDED).count(),
        readings=readings.filter(superseded_at__isnull=True).count(),
        corrections=readings.filter(supersedes__isnull=False).count(),
        outside=readings.filter(superseded_at__isnull=True, within=False).count(),
        traces=order.traces.filter(step__in=steps).count(),
        findings=findings.count(),
        accepted=findings.filter(decision="accept").count(),
        as_found=stages["as-found"],
        as_left=stages["as-left"],
        tolerance_deg=float(tolerance) if tolerance is not None else None,
    )


def _reached(steps: QuerySet[OrderStep], stage: str) -> bool:
    return steps.filter(definition__stage=stage).exists()
