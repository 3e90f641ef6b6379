"""The as-left result of an order set against its as-found result and the correction that was recorded."""

from __future__ import annotations

from jobs.orders import quantities, queries
from jobs.orders.agreement import Agreement, Measured, Shift, compare, problems
from jobs.orders.models import Analysis, OrderStep, ProcedureStep, Reading, WorkOrder

RING_SHIFT = "ring shift"


def gives_a_verdict(analysis: Analysis) -> bool:
    """Whether it says something about the engine, rather than about the recording."""
    return analysis.outcome == Analysis.Outcome.RESULT and analysis.verdict != Analysis.Verdict.NO_RESULT


def measured(analysis: Analysis) -> Measured:
    """The part of an analysis that the rule of agreement looks at."""
    return Measured(
        verdict=analysis.verdict,
        reference_deg=analysis.reference_deg,
        deviation_deg=analysis.deviation_deg,
        expanded_uncertainty_deg=analysis.expanded_uncertainty_deg,
        hysteresis_deg=analysis.hysteresis_deg,
    )


def problems_of(analysis: Analysis) -> tuple[tuple[str, str], ...]:
    """Every way in which an as-left analysis falls short: kind of finding and sentence; or nothing."""
    revision = analysis.trace.work_order.engine_type_revision
    limit = revision.hysteresis_limit_deg if revision is not None else 0.0
    return problems(measured(analysis), hysteresis_limit_deg=limit, agreement=agreement_of(analysis))


def agreement_of(analysis: Analysis) -> Agreement | None:
    """An as-left analysis against the as-found one of the same order; None when either has no angle."""
    order = analysis.trace.work_order
    found = queries.stage_result(order, ProcedureStep.Stage.AS_FOUND)
    if found is None:
        return None
    return compare(
        measured(found),
        measured(analysis),
        shift=_shift(order),
        spec=analysis.spec,
        set_left_out=_set_left_out(order),
    )


def _shift_steps(order: WorkOrder) -> list[OrderStep]:
    return list(order.steps.filter(definition__quantity=RING_SHIFT).order_by("position"))


def _set_left_out(order: WorkOrder) -> bool:
    steps = _shift_steps(order)
    return bool(steps) and all(step.state == OrderStep.State.NOT_NEEDED for step in steps)


def _shift(order: WorkOrder) -> Shift | None:
    """The ring shift that counts: what was read last, with the digits that were typed."""
    counting = Reading.objects.filter(step__in=_shift_steps(order), superseded_at__isnull=True)
    reading = counting.order_by("-step__position", "-pk").first()
    if reading is None:
        return None
    stored_as_typed = reading.entered_unit == reading.unit
    digits = quantities.decimals(reading.entered) if stored_as_typed else None
    return Shift.read(reading.value, reading.unit, digits=digits)
