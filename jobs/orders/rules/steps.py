"""The steps of a work order: their sequence, cautions before work, and what lets a step count as done."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from jobs.errors import Reason
from jobs.orders.models import Analysis, OrderStep, ProcedureStep, WorkOrder
from jobs.orders.rules.words import listed, why_not_state

Kind = ProcedureStep.Kind
Stage = ProcedureStep.Stage
Verdict = Analysis.Verdict


@dataclass(frozen=True)
class TraceFacts:
    """The trace that counts at a trace step and what its latest analysis says.

    `problems` are what stands between an as-left result and conforming, each (finding kind, sentence) by the
    rule of agreement; `accepted` and `undecided` the kinds of findings raised since the trace was handed in.
    """

    stage: str
    uploaded_at: datetime | None = None
    failure: str = ""
    outcome: str = ""
    verdict: str = ""
    message: str = ""
    problems: tuple[tuple[str, str], ...] = ()
    accepted: frozenset[str] = frozenset()
    undecided: frozenset[str] = frozenset()
    set_after: str = ""
    rework_decided_after: bool = False
    not_checked: tuple[str, ...] = ()


@dataclass(frozen=True)
class StepFacts:
    """What a rule about one step needs: the order, the steps before it, the person, and what is recorded."""

    number: str
    order_state: str
    held_reason: str
    position: int
    kind: str
    title: str
    state: str
    open_before: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    person: str = ""
    qualified: bool = True
    skill: str = ""
    did_work: bool = False
    undecided_findings: tuple[int, ...] = ()
    optional_when: str = ""
    as_found_verdict: str = ""
    photos: int = 0
    trace: TraceFacts | None = None


def why_not_acknowledge(facts: StepFacts, *, acknowledged: bool) -> list[Reason]:
    """Anyone who works at the order may acknowledge a caution once it is reached, also after others did."""
    reasons = _why_not_in_work(facts, "acknowledge a caution")
    if facts.kind != Kind.CAUTION:
        reasons.append(Reason("wrong-kind", f"“{facts.title}” is {_kind(facts)}; only a caution is acknowledged."))
    reasons += _why_not_reached(facts)
    if facts.state == OrderStep.State.NOT_NEEDED:
        reasons.append(Reason("not-needed", f"“{facts.title}” was marked as not needed."))
    if acknowledged:
        reasons.append(Reason("acknowledged", f"{facts.person} acknowledged “{facts.title}” already."))
    return reasons


def why_not_do_step(facts: StepFacts) -> list[Reason]:
    """What holds for any step but a caution: order in work, in sequence, warned, qualified, still open."""
    return [
        *_why_not_in_work(facts, "do its steps"),
        *_why_not_open(facts),
        *_why_not_reached(facts),
        *why_not_able(facts),
    ]


def why_not_able(facts: StepFacts) -> list[Reason]:
    """Why this person may not work at the step: cautions not acknowledged by them, a skill they lack."""
    reasons = []
    if facts.cautions:
        titles = listed(f"“{title}”" for title in facts.cautions)
        sentence = (
            f"{facts.person} has not acknowledged what stands before this step: {titles}. "
            "Read and acknowledge each caution first."
        )
        reasons.append(Reason("caution", sentence))
    if not facts.qualified:
        sentence = f"{facts.person} is not qualified today to “{facts.skill}”, which this step asks for."
        reasons.append(Reason("not-qualified", sentence))
    return reasons


def why_not_confirm(facts: StepFacts) -> list[Reason]:
    """Confirmation, photo and trace steps are done by a person's word; the others in their own way."""
    reasons = why_not_do_step(facts)
    if facts.kind in {Kind.READING, Kind.TORQUE}:
        reasons.append(Reason("wrong-kind", f"“{facts.title}” is done by recording its readings."))
    elif facts.kind == Kind.CAUTION:
        reasons.append(Reason("wrong-kind", f"“{facts.title}” is a caution. Acknowledge it."))
    elif facts.kind == Kind.HOLD_POINT:
        reasons.append(Reason("wrong-kind", f"“{facts.title}” is a hold point. Another person signs it."))
    elif facts.kind == Kind.PHOTO and not facts.photos:
        reasons.append(Reason("no-photo", f"“{facts.title}” needs a photo before it can be confirmed."))
    elif facts.trace is not None:
        reasons += why_not_result(facts.trace)
    return [*reasons, *_why_not_decided(facts)]


def why_not_result(trace: TraceFacts) -> list[Reason]:
    """Why the trace that counts does not let its step be done."""
    if trace.uploaded_at is None:
        return [Reason("no-trace", f"Hand in the {trace.stage} trace first.")]
    reasons = []
    for name in trace.not_checked:
        sentence = f"{name} made this trace, but the pre-use check of this order was not made with it."
        reasons.append(Reason("not-checked", f"{sentence} Check it and sweep again."))
    if trace.set_after:
        sentence = f"“{trace.set_after}” was done after this trace was handed in. Sweep again."
        reasons.append(Reason("trace-too-old", sentence))
    if trace.rework_decided_after:
        reasons.append(Reason("rework", "Rework was decided after this trace was handed in. Sweep again."))
    return [*reasons, *_why_not_verdict(trace)]


def _why_not_verdict(trace: TraceFacts) -> list[Reason]:
    if trace.failure:
        return [Reason("not-analysed", f"The trace could not be analysed: {trace.failure}")]
    if not trace.outcome:
        return [Reason("not-analysed", "The trace is not analysed yet. Wait for its verdict.")]
    if trace.outcome == Analysis.Outcome.REFUSED:
        message = trace.message or "it is not a trace"
        return [Reason("refused", f"The analysis refused the trace ({message}). Record a new one.")]
    if trace.verdict == Verdict.NO_RESULT:
        return [Reason("no-result", "The trace gave no result. Look at the checks that failed and sweep again.")]
    if trace.stage != Stage.AS_LEFT:
        return []
    reasons = []
    for kind, sentence in trace.problems:
        if kind in trace.accepted and kind not in trace.undecided:
            continue
        what = "" if kind in trace.undecided else " Sweep again, or raise a finding."
        ends = f"{sentence}{what}" if kind not in trace.undecided else f"{sentence} Its finding is not decided yet."
        reasons.append(Reason(kind, ends))
    return reasons


def why_not_complete_hold_point(facts: StepFacts) -> list[Reason]:
    """A hold point is let go by somebody who did none of the work before it, with nothing left undecided."""
    reasons = why_not_do_step(facts)
    if facts.kind != Kind.HOLD_POINT:
        reasons.append(Reason("wrong-kind", f"“{facts.title}” is {_kind(facts)}, not a hold point."))
    if facts.did_work:
        sentence = f"{facts.person} did part of the work before this hold point. Another person must release it."
        reasons.append(Reason("own-work", sentence))
    return [*reasons, *_why_not_decided(facts)]


def why_not_mark_not_needed(facts: StepFacts) -> list[Reason]:
    reasons = why_not_do_step(facts)
    if not facts.optional_when:
        reasons.append(Reason("always-needed", f"“{facts.title}” is always needed."))
    elif facts.as_found_verdict != Verdict.CONFORMING:
        verdict = Verdict(facts.as_found_verdict).label if facts.as_found_verdict else "not known yet"
        sentence = f"“{facts.title}” is left out only when the as-found verdict is conforming; it is {verdict}."
        reasons.append(Reason("as-found-not-conforming", sentence))
    return reasons


def _why_not_in_work(facts: StepFacts, doing: str) -> list[Reason]:
    return why_not_state(
        facts.number, facts.order_state, (WorkOrder.State.IN_WORK,), doing, held_reason=facts.held_reason
    )


def _why_not_open(facts: StepFacts) -> list[Reason]:
    if facts.state == OrderStep.State.OPEN:
        return []
    label = OrderStep.State(facts.state).label
    return [Reason("not-open", f"Step {facts.position} “{facts.title}” is {label} already.")]


def _why_not_reached(facts: StepFacts) -> list[Reason]:
    if not facts.open_before:
        return []
    shown = facts.open_before[0]
    more = f" and {len(facts.open_before) - 1} more" if len(facts.open_before) > 1 else ""
    return [Reason("earlier-step", f"Steps are done in their order; still open before this one: {shown}{more}.")]


def _why_not_decided(facts: StepFacts) -> list[Reason]:
    if not facts.undecided_findings:
        return []
    plural = "s" if len(facts.undecided_findings) > 1 else ""
    numbers = listed(str(number) for number in facts.undecided_findings)
    return [Reason("undecided-finding", f"Finding{plural} {numbers} must be decided first.")]


def _kind(facts: StepFacts) -> str:
    return (
        f"a {Kind(facts.kind).label} step"
        if facts.kind not in {Kind.CAUTION, Kind.HOLD_POINT}
        else (f"a {Kind(facts.kind).label}")
    )
