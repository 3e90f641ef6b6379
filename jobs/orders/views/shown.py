"""What the page of a step shows: what stands, what is recorded, and the one main action at its foot."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone

from jobs.errors import Reason
from jobs.orders import facts, quantities, queries, results, rules, shifts
from jobs.orders.models import Analysis, OrderStep, ProcedureStep, Reading, WorkOrder
from jobs.orders.results import gives_a_verdict, problems_of
from jobs.orders.watching import Correction, correction_of, errand_of, given_up
from jobs.people import policies
from jobs.web.figures import true_minus
from jobs.web.forms import PageForm
from jobs.web.http import PersonRequest

Kind = ProcedureStep.Kind


def context_of(request: PersonRequest, found: OrderStep, asked: dict[str, PageForm]) -> dict[str, Any]:
    order, definition, now = found.work_order, found.definition, timezone.now()
    steps = order.steps.select_related("definition")
    stands = facts.of_step(found, by=request.user, at=now)
    acknowledgements = list(found.acknowledgements.select_related("person"))
    mine = next((one for one in acknowledgements if one.person_id == request.user.pk), None)
    context = {
        "order": order,
        "step": found,
        "definition": definition,
        "forms": asked,
        "posted": request.POST.get("act", ""),
        "may_do": policies.may(request.user, "do-step"),
        "may_decide": policies.may(request.user, "decide-finding"),
        "reasons": _reasons(
            found,
            stands,
            acknowledged=mine is not None,
            may_release=policies.may(request.user, "release-hold-point"),
        ),
        "again": [(name, value) for name, value in request.POST.items() if name not in _NOT_AGAIN],
        "cautions": _cautions(request, found),
        "acknowledgements": acknowledgements,
        "mine": mine,
        "may_leave_out": not rules.why_not_mark_not_needed(stands),
        "findings": found.findings.select_related("raised_by", "decided_by"),
        "photos": found.photos.select_related("by"),
        "previous": steps.filter(position__lt=found.position).order_by("-position").first(),
        "following": steps.filter(position__gt=found.position).order_by("position").first(),
        "total": order.steps.count(),
        **_readings(request, found, asked, stands),
        **_traces(found, asked),
    }
    return {**context, **_main(request, found, context)}


def _main(request: PersonRequest, found: OrderStep, shown: dict[str, Any]) -> dict[str, Any]:
    """The one main action at the foot: a button for the form `main`, or a link to where work goes on."""
    definition, order = found.definition, found.work_order
    is_open = found.state == OrderStep.State.OPEN
    if definition.kind == Kind.CAUTION and shown["may_do"] and shown["mine"] is None and not shown["reasons"]:
        return {"main_button": "I have read this caution"}
    if shown.get("correcting") and shown["may_correct"]:
        return {"main_button": "Correct the reading"}
    if is_open and shown["may_do"]:
        first = shown["cautions"].first()
        if first is not None and definition.kind != Kind.CAUTION:
            return {"main_link": (f"Read the caution of step {first.position}", _address(first))}
        button = _button(definition.kind, shown)
        if button:
            return {"main_button": button}
    if is_open and definition.kind == Kind.HOLD_POINT and policies.may(request.user, "release-hold-point"):
        sign = reverse("sign", args=[order.pk, "hold-point"])
        return {"main_link": ("Sign this hold point", f"{sign}?step={found.position}")}
    following = queries.current_step(order) if order.state == WorkOrder.State.IN_WORK else None
    if following is not None and following.pk != found.pk:
        return {"main_link": (f"Go to step {following.position}", _address(following))}
    return {}


def _button(kind: str, shown: dict[str, Any]) -> str:
    """What the main button says while the step is open; empty when there is no form for it."""
    if kind in {Kind.READING, Kind.TORQUE}:
        if shown["point_is_read"]:
            return ""
        return f"Record {shown['point']}" if shown["point"] else "Record the reading"
    if kind == Kind.PHOTO:
        return "It is done" if shown["photos"] else "Keep this photo"
    if kind == Kind.TRACE:
        newest = shown["newest"]
        if newest is None:
            return "Hand in the trace"
        if shown["sweep_again"]:
            return "Hand in another trace"
        if newest["failed"]:
            return "Ask for the analysis again"
        return "I have read the verdict" if newest["analysis"] else ""
    return "It is done" if kind == Kind.CONFIRMATION else ""


def _address(found: OrderStep) -> str:
    return reverse("step", args=[found.work_order_id, found.position])


# What the question about a unit answers itself, and so does not send again.
_NOT_AGAIN = {"unit", "unit_confirmed", "csrfmiddlewaretoken"}


def _reasons(found: OrderStep, stands: rules.StepFacts, *, acknowledged: bool, may_release: bool) -> list[Reason]:
    """Why the step cannot be done now; cautions still to acknowledge are shown themselves, not told."""
    if found.work_order.state in {WorkOrder.State.CLOSED, WorkOrder.State.CANCELLED}:
        return []  # A record to read; nobody asks to do it.
    if found.definition.kind == Kind.CAUTION:
        return [] if acknowledged else rules.why_not_acknowledge(stands, acknowledged=False)
    if found.state != OrderStep.State.OPEN:
        return []
    if found.definition.kind == Kind.HOLD_POINT and not may_release:
        return []
    return [reason for reason in rules.why_not_do_step(stands) if reason.code != "caution"]


def _cautions(request: PersonRequest, found: OrderStep) -> QuerySet[OrderStep]:
    """The cautions of the same phase before the step that this person has still to acknowledge."""
    before = found.work_order.steps.filter(
        position__lt=found.position, definition__kind=Kind.CAUTION, definition__phase=found.definition.phase
    )
    before = before.exclude(state=OrderStep.State.NOT_NEEDED).exclude(acknowledgements__person=request.user)
    return before.select_related("definition").order_by("position")


def _readings(
    request: PersonRequest, found: OrderStep, asked: dict[str, PageForm], stands: rules.StepFacts
) -> dict[str, Any]:
    """Every point with the reading that counts, which point is next, and whether a unit is in doubt."""
    if "reading" not in asked:
        return {}
    definition = found.definition
    counting = facts.readings_that_count(found)
    points = facts.points_of(found, counting)
    form = asked["reading"]
    point = form.data.get("point", "") if form.is_bound else form.initial["point"]
    may_correct = _may_correct(request, stands)
    suspicion = form.refused_with("unit-suspicion") or asked["correct"].refused_with("unit-suspicion")
    if counting and not form.is_bound and definition.kind == Kind.TORQUE:
        form.fields["entered"].widget.attrs["autofocus"] = True  # bolt after bolt, without reaching for the field
    return {
        "points": [(one, counting.get(one)) for one in points],
        "point": point,
        "point_is_read": point in counting,
        "many_points": any(points),
        "limits": true_minus(quantities.limits_in_words(definition.low, definition.high, definition.unit)),
        "units": quantities.units_for(definition.unit),
        "suspicion": suspicion,
        "may_correct": may_correct,
        "correcting": reading_asked_for(request, found) if may_correct or asked["correct"].is_bound else None,
        "corrected": found.readings.filter(superseded_at__isnull=False).select_related("by", "superseded_by__by"),
        "correction": _stated_correction(found),
        "uses": found.instrument_uses.select_related("instrument").order_by("pk"),
    }


def _may_correct(request: PersonRequest, stands: rules.StepFacts) -> bool:
    """Whether a reading of the step can be put right now; a caution still to acknowledge is shown on the way."""
    why_not = rules.why_not_correct(stands, superseded=False)
    return policies.may(request.user, "do-step") and all(reason.code == "caution" for reason in why_not)


def _stated_correction(found: OrderStep) -> Correction | None:
    """At the step where the ring is shifted: by how much and which way, as the verdict before it states it."""
    if not shifts.is_shift(found):
        return None
    as_found = queries.stage_result(found.work_order, ProcedureStep.Stage.AS_FOUND)
    stated = results.correction_to_make(found.work_order) if found.state == OrderStep.State.OPEN else as_found
    return correction_of(stated) if stated is not None and gives_a_verdict(stated) else None


def _traces(found: OrderStep, asked: dict[str, PageForm]) -> dict[str, Any]:
    """The traces handed in at the step, the newest first, each with its verdict or how far its analysis is."""
    spec: dict[str, Any] = found.work_order.spec or {}
    if found.definition.kind == Kind.HOLD_POINT:
        stages = [(stage, queries.stage_result(found.work_order, stage)) for stage in ProcedureStep.Stage.values]
        return {"looked_at": [pair for pair in stages if pair[1]], "tolerance_deg": spec.get("tolerance_deg")}
    if found.definition.kind != Kind.TRACE:
        return {}
    form = asked["trace"]
    handed_in: list[dict[str, Any]] = []
    for trace in found.traces.select_related("probe", "encoder", "uploaded_by").order_by("-uploaded_at", "-pk"):
        made = queries.latest_analysis(trace)
        errand = None if made else errand_of(trace)
        failed = made is None and given_up(trace, errand)
        handed_in.append({"trace": trace, "analysis": made, "errand": errand, "failed": failed})
    newest: dict[str, Any] | None = handed_in[0] if handed_in else None
    analysis: Analysis | None = newest["analysis"] if newest else None
    as_left = found.definition.stage == ProcedureStep.Stage.AS_LEFT
    return {
        "traces": handed_in,
        "newest": newest,
        "sweep_again": analysis is not None and not gives_a_verdict(analysis),
        "tolerance_deg": spec.get("tolerance_deg"),
        "max_bytes": settings.TRACE_MAX_BYTES,
        "trace_known": form.refused_with("handed-in-before") is not None,
        "problems": problems_of(analysis) if analysis and as_left and analysis.outcome == "result" else (),
    }


def reading_asked_for(request: PersonRequest, found: OrderStep) -> Reading | None:
    wanted = request.POST.get("correct") or request.GET.get("correct", "")
    counting = found.readings.filter(superseded_at__isnull=True)
    return counting.filter(pk=int(wanted)).first() if wanted.isdecimal() else None
