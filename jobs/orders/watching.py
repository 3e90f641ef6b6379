"""How far the analysis of a trace is, and what its result says in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from jobs.errands.models import Errand
from jobs.orders.models import Analysis, Trace


def errand_of(trace: Trace) -> Errand | None:
    """The errand asked for last to analyse a trace, or None."""
    asked = Errand.objects.filter(once_key__startswith=f"analyse-trace:{trace.pk}")
    return asked.order_by("-created_at").first()


def given_up(trace: Trace, errand: Errand | None) -> bool:
    """Whether no worker could analyse the trace, and none is at it or asked to be."""
    return errand.state == Errand.State.FAILED if errand is not None else bool(trace.failure)


@dataclass(frozen=True)
class Correction:
    """What has to be done to the index ring: how far, along its rim, in which sense as seen from where."""

    needed: bool
    shift_deg: float
    shift_mm: float | None
    sense: str
    seen: str


def correction_of(analysis: Analysis) -> Correction | None:
    """The correction a result states, in the senses of the engine it was measured on; None without a result."""
    result: dict[str, Any] = analysis.result if isinstance(analysis.result, dict) else {}
    stated = result.get("correction")
    if not isinstance(stated, dict):
        return None
    sense = stated.get("sense", "none")
    shift_mm = stated.get("ring_shift_mm")
    return Correction(
        needed=sense != "none",
        shift_deg=abs(float(stated["ring_shift_deg"])),
        shift_mm=None if shift_mm is None else abs(float(shift_mm)),
        sense="in the sense of normal rotation" if sense == "advance" else "against normal rotation",
        seen=_seen(analysis, sense),
    )


def _seen(analysis: Analysis, sense: str) -> str:
    """The same sense as a person sees it, by the frozen revision of the engine type."""
    revision = analysis.trace.work_order.engine_type_revision
    if revision is None:
        return ""
    other = {"clockwise": "anticlockwise", "anticlockwise": "clockwise"}[revision.rotation]
    way = revision.rotation if sense == "advance" else other
    return f"{way} seen from the {revision.get_viewing_end_display()}"


@dataclass(frozen=True)
class TraceState:
    """Where the analysis of a trace stands: queued, running, done or failed, and why.

    `reason` says why it failed, why the last attempt did while another waits, or why the file was refused.
    """

    state: str
    reason: str
    done: int
    total: int
    note: str
    errand: Errand | None
    analysis: Analysis | None


def trace_state(trace: Trace) -> TraceState:
    """What is known now about the analysis of a trace, read afresh."""
    errand = errand_of(trace)
    newest = trace.analyses.order_by("-number").first()
    if errand is None:
        state = "done" if newest is not None else "queued"
        return TraceState(state, _refusal(newest), 0, 0, "", None, newest)
    reason = _refusal(newest) if errand.state == Errand.State.DONE else errand.reason
    progress = (errand.progress_done, errand.progress_total, errand.progress_note)
    return TraceState(errand.state, reason, *progress, errand, newest)


def _refusal(newest: Analysis | None) -> str:
    if newest is None or newest.outcome != Analysis.Outcome.REFUSED:
        return ""
    return str(newest.result["refused"]["message"])
