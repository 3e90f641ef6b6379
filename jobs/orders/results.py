"""The as-left result of an order set against its as-found result and the shifts that were recorded in between."""

from __future__ import annotations

from jobs.orders import queries, shifts
from jobs.orders.agreement import Agreement, Measured, compare, problems
from jobs.orders.models import Analysis, OrderStep, ProcedureStep, WorkOrder


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
    since, until = found.trace.uploaded_at, analysis.trace.uploaded_at
    return compare(
        measured(found),
        measured(analysis),
        shifts=shifts.made_between(order, since, until),
        spec=analysis.spec,
        set_left_out=_set_left_out(order),
    )


def correction_to_make(order: WorkOrder) -> Analysis | None:
    """The result whose correction the next shift of the ring has to make; None when none tells.

    As-found first; once the ring was shifted, as-left, when it was taken since.
    """
    last = max((shifts.made_at(reading) for reading in shifts.counting(order)), default=None)
    stage = ProcedureStep.Stage.AS_FOUND if last is None else ProcedureStep.Stage.AS_LEFT
    result = queries.stage_result(order, stage)
    if result is None or not gives_a_verdict(result):
        return None
    return result if last is None or result.trace.uploaded_at >= last else None


def _set_left_out(order: WorkOrder) -> bool:
    steps = shifts.steps_of(order)
    return bool(steps) and all(step.state == OrderStep.State.NOT_NEEDED for step in steps)
