"""The errand `analyse-trace`: read the stored bytes, analyse, write the result once."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.utils import timezone

import analysis
from jobs.errands.registry import handles
from jobs.errands.work import CannotBeDone, Claim
from jobs.ledger.actions import System
from jobs.orders import analysing, queries, storage
from jobs.orders.actions.common import announce, record, save
from jobs.orders.actions.findings import judge_as_left, review_as_left
from jobs.orders.actions.steps import reopen_steps_left_out
from jobs.orders.models import Analysis, ProcedureStep, Trace, WorkOrder

WORKER = System("Midflank worker")
STEPS_OF_WORK = 3


def given_up(claim: Claim, reason: str) -> None:
    """No worker could analyse it: told at the trace, in the transaction that ends the errand."""
    at = timezone.now()
    trace = _locked_trace(claim)
    trace.failure = reason
    trace.save(update_fields=["failure"])
    save(trace.work_order)
    record(
        "trace.failed",
        trace.work_order,
        by=WORKER,
        at=at,
        sentence=f"{_noun(trace)} {trace.filename} of {trace.work_order.number} could not be analysed: {reason}",
        about=[trace],
        data={"sha256": trace.bytes_id, "reason": reason},
    )


@handles(analysing.ERRAND, "analyse the trace", given_up=given_up)
def analyse_trace(claim: Claim) -> None:
    """Analyse the trace named in the arguments; a file that is no trace is refused, which is no failure."""
    trace = _trace(claim)
    claim.progress(0, STEPS_OF_WORK, "checking the stored bytes")
    stands_on = analysing.input_of(trace)
    try:
        storage.traces().opened(trace.bytes_id).close()
    except storage.StorageError as lost:
        raise CannotBeDone(str(lost)) from lost
    claim.progress(1, STEPS_OF_WORK, "analysing")
    outcome, result = _outcome(trace, stands_on)
    claim.progress(2, STEPS_OF_WORK, "writing the result")
    with claim.finishing(outcome=outcome.value):
        claim.outcome["analysis"] = _write(claim, stands_on, outcome, result)


def _outcome(trace: Trace, stands_on: analysing.Input) -> tuple[Analysis.Outcome, dict[str, Any]]:
    # numpy and scipy, which a process that does no errands does without; it knows this module all the same.
    from jobs.orders import plots

    path = storage.traces().path(trace.bytes_id)
    try:
        if trace.by_hand:
            result = analysis.analyse_hand(path, stands_on.spec)
        else:
            keep = plots.keeper(trace.bytes_id, stands_on.spec)
            result = analysis.analyse(path, stands_on.spec, filename=trace.filename, look_at=keep)
    except analysis.TraceRefused as refused:
        return Analysis.Outcome.REFUSED, dict(refused.to_json())
    except analysis.SpecRefused as refused:
        raise CannotBeDone(f"The timing spec of the work order cannot be used: {refused}") from refused
    return Analysis.Outcome.RESULT, dict(result)


def _trace(claim: Claim) -> Trace:
    related = ("work_order", "bytes", "probe", "probe_calibration", "encoder", "encoder_calibration")
    return Trace.objects.select_related(*related).get(pk=claim.arguments["trace"])


def _locked_trace(claim: Claim) -> Trace:
    """The trace with its order's row locked, as every write on an order begins."""
    trace = _trace(claim)
    trace.work_order = queries.locked_order(trace.work_order_id)
    return trace


def _write(claim: Claim, stands_on: analysing.Input, outcome: Analysis.Outcome, result: dict[str, Any]) -> int:
    """Write the analysis and what follows from it; returns its number, or that of the same one there is."""
    at = timezone.now()
    trace = _locked_trace(claim)
    there = trace.analyses.filter(input_sha256=stands_on.sha256).first()
    if there is not None:
        return there.number
    made = _new_row(trace, stands_on, outcome, result, at=at)
    if trace.failure:
        trace.failure = ""
        trace.save(update_fields=["failure"])
    order = trace.work_order
    save(order)
    _record(made, order)
    _follow_up(made, order, at=at)
    announce(order, by=WORKER, at=at, what=f"analysis {made.number} of {trace.noun} {trace.filename} was made")
    return made.number


def _new_row(
    trace: Trace,
    stands_on: analysing.Input,
    outcome: Analysis.Outcome,
    result: dict[str, Any],
    *,
    at: datetime,
) -> Analysis:
    before = queries.latest_analysis(trace)
    made = Analysis(
        trace=trace,
        number=before.number + 1 if before else 1,
        outcome=outcome,
        verdict=result.get("verdict") or Analysis.Verdict.NO_RESULT,
        reference_deg=result.get("reference_deg"),
        deviation_deg=result.get("deviation_deg"),
        expanded_uncertainty_deg=result.get("expanded_uncertainty_deg"),
        hysteresis_deg=result.get("hysteresis_deg"),
        result=result,
        spec=stands_on.spec,
        spec_sha256=stands_on.spec_sha256,
        calibrations=stands_on.calibrations,
        analysis_version=stands_on.version,
        input_sha256=stands_on.sha256,
        made_at=at,
        supersedes=before,
    )
    made.save(force_insert=True)
    return made


def _record(made: Analysis, order: WorkOrder) -> None:
    trace = made.trace
    refused = made.outcome == Analysis.Outcome.REFUSED
    stage = trace.get_stage_display().capitalize()
    if refused:
        said = f"{stage} {trace.noun} {trace.filename} of {order.number} refused: {made.result['refused']['message']}"
    else:
        angle = (
            ""
            if made.deviation_deg is None
            else f", deviation {made.deviation_deg:+.3f}° ± {made.expanded_uncertainty_deg or 0:.3f}°"
        )
        said = f"{stage} {trace.noun} {trace.filename} of {order.number} analysed: {made.get_verdict_display()}{angle}."
    record(
        "trace.refused" if refused else "trace.analysed",
        order,
        by=WORKER,
        at=made.made_at,
        sentence=said,
        about=[trace, *(instrument for instrument, _ in trace.instruments), trace.uploaded_by],
        data={
            "number": made.number,
            "verdict": made.verdict,
            "reference_deg": _text(made.reference_deg),
            "deviation_deg": _text(made.deviation_deg),
            "expanded_uncertainty_deg": _text(made.expanded_uncertainty_deg),
            "hysteresis_deg": _text(made.hysteresis_deg),
            "analysis_version": made.analysis_version,
            "trace_sha256": trace.bytes_id,
            "input_sha256": made.input_sha256,
        },
    )


def _noun(trace: Trace) -> str:
    return trace.noun.capitalize()


def _text(value: float | None) -> str | None:
    """The shortest decimal that is this number; a ledger holds decimals as text."""
    return None if value is None else repr(value)


# --- What follows from a result ---------------------------------------------------------------------------


def _follow_up(made: Analysis, order: WorkOrder, *, at: datetime) -> None:
    """Findings of an as-left result that falls short; steps that an as-found verdict no longer excuses."""
    trace = made.trace
    newest = queries.latest_trace(trace.step)
    if newest is None or newest.pk != trace.pk:
        return  # an older recording analysed again: history, not what counts
    because = f"Analysis {made.number} of {trace.noun} {trace.filename} took its place."
    if trace.stage == ProcedureStep.Stage.AS_FOUND:
        reopen_steps_left_out(order, by=WORKER, at=at)
        review_as_left(order, because=because, by=WORKER, at=at)
    else:
        judge_as_left(order, made, because=because, by=WORKER, at=at)
