"""Gathers from the database what the rules decide on; reads only."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from jobs.fleet import queries as fleet
from jobs.orders import queries, results, rules, shifts
from jobs.orders.models import (
    Acknowledgement,
    Finding,
    InstrumentUse,
    OrderStep,
    ProcedureRevision,
    ProcedureStep,
    Reading,
    Trace,
    WorkOrder,
)
from jobs.people.models import Person, Role, Skill
from jobs.people.queries import qualification_on
from jobs.tooling import queries as tooling
from jobs.tooling.models import Instrument

Kind = ProcedureStep.Kind
ON_THE_FLOOR = (WorkOrder.State.RELEASED, WorkOrder.State.IN_WORK, WorkOrder.State.TO_VERIFY)


# --- Orders -------------------------------------------------------------------------------------------


def of_order(order: WorkOrder) -> rules.OrderFacts:
    """Everything that stands in the way of a change of state of the order."""
    missing, drafts, newer = _revisions(order)
    results, left_out = _results(order)
    installed = fleet.engine_in(order.unit)
    open_steps = (
        order.steps.filter(state=OrderStep.State.OPEN).select_related("definition").order_by("position")
    )
    return rules.OrderFacts(
        number=order.number,
        state=order.state,
        held_from=order.held_from,
        held_reason=order.held_reason,
        unit=order.unit.number,
        engine=order.engine.serial,
        engine_is_in_unit=installed is not None and installed.pk == order.engine_id,
        other_order=_other_order(order),
        missing_revisions=missing,
        drafts=drafts,
        newer=newer,
        open_steps=tuple(titled(step) for step in open_steps),
        undecided_findings=tuple(
            order.findings.filter(decision="").order_by("number").values_list("number", flat=True)
        ),
        steps_wrongly_left_out=left_out,
        results_missing=results,
    )


def titled(step: OrderStep) -> str:
    return f"{step.position} “{step.definition.title}”"


def _revisions(order: WorkOrder) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Names of what has no issued revision, of newest revisions not issued, of frozen ones superseded."""
    engine_type = order.engine.engine_type
    pairs: list[tuple[Any, Any, Any, Any]] = [
        (order.procedure, queries.current_revision(order.procedure), queries.newest_revision(order.procedure),
         order.procedure_revision),
        (engine_type, fleet.current_revision(engine_type), engine_type.revisions.order_by("-number").first(),
         order.engine_type_revision),
    ]  # fmt: skip
    missing = tuple(str(thing) for thing, current, _, _ in pairs if current is None)
    drafts = tuple(
        str(newest) for _, _, newest, _ in pairs if newest is not None and newest.issued_at is None
    )
    newer = tuple(
        str(current)
        for _, current, _, frozen in pairs
        if frozen is not None and current is not None and current.number > frozen.number
    )
    return missing, drafts, newer


def _other_order(order: WorkOrder) -> str:
    """The number of another order that has the same engine on the floor, held or not; empty when none has."""
    others = WorkOrder.objects.filter(engine=order.engine_id).exclude(pk=order.pk)
    active = others.filter(state__in=ON_THE_FLOOR) | others.filter(held_from__in=ON_THE_FLOOR)
    return active.values_list("number", flat=True).order_by("number").first() or ""


def _results(order: WorkOrder) -> tuple[tuple[rules.Reason, ...], tuple[str, ...]]:
    """What done trace steps lack now that verdicts may have changed, and steps left out without cause."""
    reasons: list[rules.Reason] = []
    steps = order.steps.select_related("definition", "work_order").order_by("position")
    for step in steps.filter(definition__kind=Kind.TRACE, state=OrderStep.State.DONE):
        reasons += rules.why_not_result(of_trace(step))
    left_out: tuple[str, ...] = ()
    skipped = steps.filter(state=OrderStep.State.NOT_NEEDED)
    if skipped and as_found_verdict(order) != "conforming":
        left_out = tuple(titled(step) for step in skipped)
    return tuple(reasons), left_out


# --- Plans --------------------------------------------------------------------------------------------


def of_plan(
    order: WorkOrder,
    *,
    technician: Person,
    inspector: Person,
    days: Iterable[date],
    revision: ProcedureRevision | None,
) -> rules.PlanFacts:
    """People and instruments on the days of a plan, against what the procedure's steps ask for."""
    steps = list(revision.steps.select_related("skill")) if revision else []
    holds = {step.skill for step in steps if step.kind == Kind.HOLD_POINT}
    work = {step.skill for step in steps if step.kind not in {Kind.HOLD_POINT, Kind.CAUTION}}
    verify = Skill.objects.filter(code="verify-timing")
    both = (
        ("technician", technician, work, Role.TECHNICIAN),
        ("inspector", inspector, holds | set(verify), Role.INSPECTOR),
    )
    days = sorted(set(days))
    return rules.PlanFacts(
        technician=technician.name,
        inspector=inspector.name,
        same_person=technician.pk == inspector.pk,
        not_of_shop=tuple(
            (name, who.name) for name, who, _, _ in both if who.shop_id != order.shop_id or not who.is_active
        ),
        missing_roles=tuple(
            (name, who.name, role.label, day)
            for name, who, _, role in both
            for day in days
            if role not in who.roles_on(day)
        ),
        missing_skills=tuple(
            (name, who.name, skill.title, day)
            for name, who, skills, _ in both
            for skill in sorted(skills, key=lambda one: one.code)
            for day in days
            if qualification_on(who, skill.code, day) is None
        ),
        missing_instruments=tuple(
            (Instrument.Kind(kind).label, day)
            for kind in sorted({kind for step in steps for kind in step.instrument_kinds})
            for day in days
            if not tooling.usable(technician, kind, day).exists()
        ),
    )


class People:
    """Answers `of_plan` for the places of many orders without a procedure's steps, each pair and day asked once."""

    def __init__(self) -> None:
        self._known: dict[tuple[int, int, int, date], rules.PlanFacts] = {}

    def of_place(
        self, order: WorkOrder, technician: Person, inspector: Person, days: Iterable[date]
    ) -> rules.PlanFacts:
        """Both people on the days of a place."""
        found = [self._on(order, technician, inspector, day) for day in sorted(set(days))]
        if not found:
            return of_plan(order, technician=technician, inspector=inspector, days=(), revision=None)
        return replace(
            found[0],
            missing_roles=tuple(dict.fromkeys(one for each in found for one in each.missing_roles)),
            missing_skills=tuple(dict.fromkeys(one for each in found for one in each.missing_skills)),
        )

    def _on(self, order: WorkOrder, technician: Person, inspector: Person, day: date) -> rules.PlanFacts:
        name = (order.shop_id, technician.pk, inspector.pk, day)
        if name not in self._known:
            self._known[name] = of_plan(
                order, technician=technician, inspector=inspector, days=[day], revision=None
            )
        return self._known[name]


def of_planned(order: WorkOrder) -> rules.PlanFacts | None:
    """As `of_plan`, for the plan that the order has, on the day of its start; None without a plan."""
    if order.technician is None or order.inspector is None or order.planned_start is None:
        return None
    return of_plan(
        order,
        technician=order.technician,
        inspector=order.inspector,
        days=[order.planned_start.astimezone(order.shop.zone).date()],
        revision=queries.current_revision(order.procedure),
    )


# --- Steps --------------------------------------------------------------------------------------------


def of_step(step: OrderStep, *, by: Person, at: datetime) -> rules.StepFacts:
    """What the rules about one step need to know, for one person at one instant."""
    order, definition = step.work_order, step.definition
    day = at.astimezone(order.shop.zone).date()
    before = order.steps.filter(position__lt=step.position).select_related("definition").order_by("position")
    is_trace = definition.kind == Kind.TRACE
    return rules.StepFacts(
        number=order.number,
        order_state=order.state,
        held_reason=order.held_reason,
        position=step.position,
        kind=definition.kind,
        title=definition.title,
        state=step.state,
        open_before=tuple(titled(one) for one in before if one.state == OrderStep.State.OPEN),
        cautions=_unacknowledged(step, list(before), by),
        person=by.name,
        qualified=qualification_on(by, definition.skill.code, day) is not None,
        skill=definition.skill.title,
        # Asked of a hold point alone: four look-ups that the other kinds of step do without.
        did_work=definition.kind == Kind.HOLD_POINT and by.pk in workers(order, before=step.position),
        undecided_findings=_undecided(step),
        optional_when=definition.optional_when,
        as_found_verdict=as_found_verdict(order) if definition.optional_when else "",
        photos=step.photos.count() if definition.kind == Kind.PHOTO else 0,
        trace=of_trace(step) if is_trace else None,
    )


def _unacknowledged(step: OrderStep, before: list[OrderStep], by: Person) -> tuple[str, ...]:
    """Titles of the cautions of the same phase before the step that the person has not acknowledged."""
    cautions = [
        one
        for one in before
        if one.definition.kind == Kind.CAUTION
        and one.definition.phase == step.definition.phase
        and one.state != OrderStep.State.NOT_NEEDED
    ]
    mine = set(Acknowledgement.objects.filter(person=by, step__in=cautions).values_list("step", flat=True))
    return tuple(one.definition.title for one in cautions if one.pk not in mine)


def _undecided(step: OrderStep) -> tuple[int, ...]:
    """Undecided findings that keep the step from being done: its own; at a hold point, all up to it."""
    findings = step.work_order.findings.filter(decision="").order_by("number")
    if step.definition.kind == Kind.HOLD_POINT:
        findings = findings.filter(step__position__lte=step.position) | findings.filter(step__isnull=True)
    else:
        findings = findings.filter(step=step)
        if step.definition.kind == Kind.TRACE:  # told by the rule of results, in the words of the result
            findings = findings.exclude(kind__in=[Finding.Kind.VERDICT, Finding.Kind.AGREEMENT])
    return tuple(findings.values_list("number", flat=True))


def workers(order: WorkOrder, *, before: int | None = None) -> frozenset[int]:
    """Ids of the people who did work at the order: recorded, photographed, handed in or confirmed something.

    Releasing a hold point and acknowledging a caution are no work in this sense. `before` limits it to steps
    of lower positions.
    """
    steps = order.steps.exclude(definition__kind__in=[Kind.CAUTION, Kind.HOLD_POINT])
    if before is not None:
        steps = steps.filter(position__lt=before)
    did = {
        *steps.filter(done_by__isnull=False).values_list("done_by", flat=True),
        *steps.filter(readings__isnull=False).values_list("readings__by", flat=True),
        *steps.filter(photos__isnull=False).values_list("photos__by", flat=True),
        *steps.filter(traces__isnull=False).values_list("traces__uploaded_by", flat=True),
    }
    return frozenset(did)


# --- Traces and results -------------------------------------------------------------------------------


def as_found_verdict(order: WorkOrder) -> str:
    """The verdict of the as-found trace that counts, or empty while there is none."""
    found = queries.stage_result(order, ProcedureStep.Stage.AS_FOUND)
    return found.verdict if found is not None else ""


def of_trace(step: OrderStep) -> rules.TraceFacts:
    """The trace that counts at a trace step, its latest analysis, and the findings raised about it."""
    trace = queries.latest_trace(step)
    stage = step.definition.stage
    if trace is None:
        return rules.TraceFacts(stage=stage)
    analysis = queries.latest_analysis(trace)
    about = step.findings.filter(raised_at__gte=trace.uploaded_at)
    kinds = {decision: frozenset(about.filter(decision=decision).values_list("kind", flat=True))
             for decision in ("", Finding.Decision.ACCEPT)}  # fmt: skip
    rework = step.findings.filter(decision=Finding.Decision.REWORK, decided_at__gt=trace.uploaded_at)
    problems: tuple[tuple[str, str], ...] = ()
    if analysis is not None and stage == ProcedureStep.Stage.AS_LEFT:
        problems = results.problems_of(analysis)
    return rules.TraceFacts(
        stage=stage,
        uploaded_at=trace.uploaded_at,
        failure=trace.failure if analysis is None else "",
        outcome=analysis.outcome if analysis else "",
        verdict=analysis.verdict if analysis else "",
        message=_refusal(analysis.result) if analysis else "",
        problems=problems,
        accepted=kinds[Finding.Decision.ACCEPT],
        undecided=kinds[""],
        set_after=_set_after(step, trace),
        rework_decided_after=rework.exists(),
        not_checked=_not_checked(step, trace),
    )


def _refusal(result: Any) -> str:
    refused = result.get("refused") if isinstance(result, dict) else None
    return str(refused.get("message", "")) if isinstance(refused, dict) else ""


def _set_after(step: OrderStep, trace: Trace) -> str:
    """The step of setting done again after the trace was handed in: the ring may have moved."""
    later = step.work_order.steps.filter(
        definition__phase=ProcedureStep.Phase.SET, position__lt=step.position, done_at__gt=trace.uploaded_at
    )
    again = (
        later.exclude(definition__kind__in=[Kind.CAUTION, Kind.HOLD_POINT])
        .select_related("definition")
        .first()
    )
    return again.definition.title if again is not None else ""


def _not_checked(step: OrderStep, trace: Trace) -> tuple[str, ...]:
    """Instruments of the trace that a pre-use check before it names by kind, but was not made with."""
    checks = [
        one
        for one in step.work_order.steps.filter(
            position__lt=step.position, definition__kind=Kind.READING
        ).select_related("definition")
        if Instrument.Kind.CHECK_STANDARD in one.definition.instrument_kinds
    ]
    names = []
    for instrument, _ in trace.instruments:
        wanting = [one for one in checks if instrument.kind in one.definition.instrument_kinds]
        used = InstrumentUse.objects.filter(step__in=wanting, instrument=instrument)
        if wanting and not used.exists():
            names.append(instrument.asset_number)
    return tuple(names)


def readings_that_count(step: OrderStep) -> dict[str, Reading]:
    """The reading that counts at each point of a step."""
    counting = step.readings.filter(superseded_at__isnull=True).select_related("instrument", "by")
    return {reading.point: reading for reading in counting}


def points_of(step: OrderStep, counting: dict[str, Reading]) -> list[str]:
    """The points at which a step is read, with those of further shifts of the ring after rework."""
    return shifts.points_of(step, counting.values())


def is_satisfied(step: OrderStep) -> bool:
    """Whether every point of a reading or torque step has a reading within limits or accepted as it is."""
    counting = readings_that_count(step)
    if not set(points_of(step, counting)) <= set(counting):
        return False
    outside = [
        reading.pk
        for reading in counting.values()
        if not reading.within and not shifts.made_good(reading, counting.values())
    ]
    accepted = Finding.objects.filter(reading__in=outside, decision=Finding.Decision.ACCEPT)
    return set(accepted.values_list("reading", flat=True)) == set(outside) and not _needs_rework(
        step, counting
    )


def _needs_rework(step: OrderStep, counting: dict[str, Reading]) -> bool:
    """A finding at the step was decided as rework, and nothing was read again since."""
    newest = max((reading.at for reading in counting.values()), default=None)
    rework = step.findings.filter(decision=Finding.Decision.REWORK, reading__isnull=True)
    return newest is not None and rework.filter(decided_at__gt=newest).exists()
