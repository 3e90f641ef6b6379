"""Findings: raised by people and by rules, decided by another person, cleared by a new reading or trace."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db import transaction
from django.db.models import Max

from jobs.errors import BadInput, Reason, refuse
from jobs.ledger.actions import Actor
from jobs.orders import facts, queries, results, rules
from jobs.orders.actions.common import announce, locked_for, record, save
from jobs.orders.models import Analysis, Finding, OrderStep, ProcedureStep, Reading, WorkOrder
from jobs.people.models import Person

Kind = ProcedureStep.Kind
Decision = Finding.Decision
OF_RESULT = (Finding.Kind.VERDICT, Finding.Kind.AGREEMENT)


@transaction.atomic
def raise_finding(order: WorkOrder, *, text: str, step: OrderStep | None = None, by: Person, at: datetime) -> Finding:
    """Raise an observation at an order on the floor, or at one of its steps."""
    order = locked_for(order.pk, by=by, action="raise-finding")
    if step is not None and step.work_order_id != order.pk:
        raise BadInput([Reason("other-order", f"That step is not one of {order.number}.", "step")])
    refuse(rules.why_not_text(text, "text", "Say what does not conform."), BadInput)
    refuse(rules.why_not_raise(order.number, order.open_state, text))
    finding = add_finding(order, kind=Finding.Kind.OBSERVATION, text=text, step=step, by=by, at=at)
    announce(order, by=by, at=at, what=f"finding {finding.number} was raised")
    return finding


@transaction.atomic
def decide_finding(finding: Finding, *, decision: str, reason: str, by: Person, at: datetime) -> None:
    """Accept what does not conform as it is, or have it worked again; by another person than raised it.

    Rework opens the step of the finding again, and what is proved after it.
    """
    order = locked_for(finding.work_order_id, by=by, action="decide-finding")
    finding = order.findings.select_related("step__definition", "reading", "raised_by").get(pk=finding.pk)
    refuse(rules.why_not_decision(decision, reason), BadInput)
    refuse(
        rules.why_not_decide(
            rules.FindingFacts(
                number=finding.number,
                order_number=order.number,
                open_state=order.open_state,
                decision=finding.decision,
                person=by.name,
                is_raiser=finding.raised_by_id == by.pk,
                is_own_work=_is_own_work(finding, by),
            )
        )
    )
    _decide(order, finding, decision=decision, reason=reason, decided_by=by, by=by, at=at)
    step = finding.step
    if step is not None:
        if decision == Decision.REWORK:
            open_again(order, step, why=f"rework decided in finding {finding.number}", by=by, at=at)
        else:
            settle_readings(order, step, at=at)
    announce(order, by=by, at=at, what=f"finding {finding.number} was decided")


@transaction.atomic
def reopen_order(order: WorkOrder, *, reason: str, by: Person, at: datetime) -> Finding:
    """Reopen a closed order; the finding that says so voids what was signed."""
    order = locked_for(order.pk, by=by, action="reopen-order")
    refuse(rules.why_not_text(reason, "reason", "Say why it is reopened."), BadInput)
    refuse(rules.why_not_reopen(facts.of_order(order)))
    order.state, order.closed_at = WorkOrder.State.IN_WORK, None
    save(order, "state", "closed_at")
    sentence = f"{order.number} reopened: {reason.strip()}"
    record("order.reopened", order, by=by, at=at, sentence=sentence)
    finding = add_finding(order, kind=Finding.Kind.REOPENED, text=reason, by=by, at=at)
    announce(order, by=by, at=at, what="the closed work order was reopened")
    return finding


# --- Parts of other actions, under the order's lock; the caller announces ------------------------------


def add_finding(
    order: WorkOrder,
    *,
    kind: str,
    text: str,
    step: OrderStep | None = None,
    reading: Reading | None = None,
    by: Actor,
    at: datetime,
) -> Finding:
    """File a finding of any kind at a locked order. Raised by a rule in a worker, it has no raiser."""
    person = by if isinstance(by, Person) else None
    last = order.findings.aggregate(last=Max("number"))["last"] or 0
    finding = Finding.objects.create(
        work_order=order,
        step=step,
        reading=reading,
        number=last + 1,
        kind=kind,
        text=text.strip(),
        raised_by=person,
        raised_at=at,
    )
    save(order)
    where = f" at step {step.position}" if step is not None else ""
    sentence = f"Finding {finding.number} of {order.number}{where}: {finding.text}"
    record("finding.raised", order, by=by, at=at, sentence=sentence, data=_data(finding))
    return finding


def clear_findings(order: WorkOrder, findings: Iterable[Finding], *, reason: str, by: Actor, at: datetime) -> None:
    """Clear undecided findings because a new reading or trace took their ground; nobody's decision."""
    for finding in findings:
        if not finding.decision:
            _decide(order, finding, decision=Decision.CLEARED, reason=reason, decided_by=None, by=by, at=at)


def open_again(order: WorkOrder, step: OrderStep, *, why: str, by: Actor, at: datetime) -> None:
    """Open a step that was done or left out; after one of setting also the as-left traces that proved it."""
    again = [step]
    if step.definition.phase == ProcedureStep.Phase.SET and step.definition.kind != Kind.CAUTION:
        later = order.steps.filter(position__gt=step.position, definition__kind=Kind.TRACE)
        again += later.filter(definition__stage=ProcedureStep.Stage.AS_LEFT).select_related("definition")
    for one in again:
        if one.state == OrderStep.State.OPEN:
            continue
        one.state, one.done_by, one.done_at = OrderStep.State.OPEN, None, None
        one.save(update_fields=["state", "done_by", "done_at"])
        save(order)
        sentence = f"Step {one.position} “{one.definition.title}” of {order.number} is open again: {why}."
        record("step.reopened", order, by=by, at=at, sentence=sentence, data={"position": one.position})


def review_as_left(order: WorkOrder, *, because: str, by: Actor, at: datetime) -> None:
    """Hold each as-left result against the record as it is now, after something before it changed."""
    traces = order.steps.filter(definition__kind=Kind.TRACE, definition__stage=ProcedureStep.Stage.AS_LEFT)
    for step in traces.select_related("definition", "work_order"):
        trace = queries.latest_trace(step)
        analysis = queries.latest_analysis(trace) if trace is not None else None
        if analysis is not None:
            judge_as_left(order, analysis, because=because, by=by, at=at)


def judge_as_left(order: WorkOrder, analysis: Analysis, *, because: str, by: Actor, at: datetime) -> None:
    """Raise what an as-left result that counts falls short of; clear what it no longer does, saying why.

    What was accepted stays accepted for the very sentence that was accepted, and for no other.
    """
    if analysis.reference_deg is None:
        return  # nothing to accept; the step asks for another sweep
    trace = analysis.trace
    wanted = _by_kind(results.problems_of(analysis))
    about = trace.step.findings.filter(kind__in=OF_RESULT).select_related("step")
    standing = about.filter(raised_at__gte=trace.uploaded_at)
    told = {(finding.kind, finding.text) for finding in standing.filter(decision__in=["", Decision.ACCEPT])}
    obsolete = [
        finding
        for finding in about.filter(decision="")
        if (finding.kind, finding.text) not in wanted.items() or finding.raised_at < trace.uploaded_at
    ]
    clear_findings(order, obsolete, reason=because, by=by, at=at)
    for kind, text in wanted.items():
        if (kind, text) not in told:
            add_finding(order, kind=kind, text=text, step=trace.step, by=by, at=at)


def _by_kind(problems: Iterable[tuple[str, str]]) -> dict[str, str]:
    """One finding of each kind, with all its sentences: what is accepted is accepted as a whole."""
    texts: dict[str, str] = {}
    for kind, sentence in problems:
        texts[kind] = f"{texts[kind]} {sentence}" if kind in texts else sentence
    return texts


def settle_readings(order: WorkOrder, step: OrderStep, *, at: datetime) -> None:
    """Let a reading or torque step be done when every point has a reading within limits or accepted."""
    if step.definition.kind not in {Kind.READING, Kind.TORQUE}:
        return
    if step.state != OrderStep.State.OPEN or not facts.is_satisfied(step):
        return
    last = max(facts.readings_that_count(step).values(), key=lambda reading: (reading.at, reading.pk))
    finish(order, step, by=last.by, at=at)


def finish(order: WorkOrder, step: OrderStep, *, by: Person, at: datetime, note: str = "") -> None:
    """Mark a step as done by a person, and record it."""
    step.state, step.done_by, step.done_at, step.note = OrderStep.State.DONE, by, at, note.strip()
    step.save(update_fields=["state", "done_by", "done_at", "note"])
    save(order)
    sentence = f"Step {step.position} “{step.definition.title}” of {order.number} done."
    data = {"position": step.position, "kind": step.definition.kind, "note": step.note}
    record("step.done", order, by=by, at=at, sentence=sentence, data=data)


def _decide(
    order: WorkOrder,
    finding: Finding,
    *,
    decision: str,
    reason: str,
    decided_by: Person | None,
    by: Actor,
    at: datetime,
) -> None:
    finding.decision, finding.decision_reason = decision, reason.strip()
    finding.decided_by, finding.decided_at = decided_by, at
    finding.save(update_fields=["decision", "decision_reason", "decided_by", "decided_at"])
    save(order)
    label = Decision(decision).label
    sentence = f"Finding {finding.number} of {order.number} {label}: {finding.decision_reason}"
    record("finding.decided", order, by=by, at=at, sentence=sentence, data=_data(finding))


def _data(finding: Finding) -> dict[str, str | int | None]:
    return {
        "number": finding.number,
        "kind": finding.kind,
        "decision": finding.decision,
        "position": finding.step.position if finding.step is not None else None,
    }


def _is_own_work(finding: Finding, person: Person) -> bool:
    """Whether the finding is about something the person did: their reading, trace, or step."""
    if finding.reading is not None and finding.reading.by_id == person.pk:
        return True
    step = finding.step
    if step is None or step.definition.kind in {Kind.CAUTION, Kind.HOLD_POINT}:
        return False
    trace = queries.latest_trace(step)
    return step.done_by_id == person.pk or (trace is not None and trace.uploaded_by_id == person.pk)
