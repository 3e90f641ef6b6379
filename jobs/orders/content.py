"""What a sign-off covers: the content of a work order as plain JSON, and its SHA-256 (RFC 8785).

    {"format": 1, "order": {…}, "frozen": {…}, "steps": [{…, "acknowledgements", "readings", "instruments",
     "photos", "traces"}, …], "findings": […]}

People stand in it by id, which never changes, as a name may; `people_in` gives the names. Decimals are
strings without trailing zeros, instants are UTC with microseconds. The state of the order and of its hold
points and its plan are not content, nor are sign-offs and job cards: signing does not change what is signed.

Up to a hold point it holds the steps to that position and the findings at them, and the acknowledgements of
those who worked at them: somebody who reads a caution later, to go on with the work, changes nothing before.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import rfc8785
from django.db.models import Prefetch

from jobs.orders import quantities
from jobs.orders.models import (
    Acknowledgement,
    Analysis,
    Finding,
    InstrumentUse,
    OrderStep,
    Photo,
    ProcedureStep,
    Reading,
    Trace,
    WorkOrder,
)
from jobs.people.models import Person

FORMAT = 1
_BY_ID = frozenset({"by", "done_by", "requested_by", "raised_by", "decided_by", "uploaded_by"})


def order_content(order: WorkOrder, *, up_to: OrderStep | int | None = None) -> dict[str, Any]:
    """The content of an order, read from the database; `up_to` a step or position for a hold point."""
    order = WorkOrder.objects.select_related(
        "shop",
        "unit",
        "engine__engine_type",
        "procedure",
        "procedure_revision__procedure",
        "engine_type_revision__engine_type",
    ).get(pk=order.pk)
    position = up_to.position if isinstance(up_to, OrderStep) else up_to
    steps = _steps(order, position)
    findings = order.findings.select_related("step", "reading").order_by("number")
    if position is not None:
        findings = findings.filter(step__position__lte=position)
    return {
        "format": FORMAT,
        "order": _order(order),
        "frozen": _frozen(order),
        "steps": steps,
        "findings": [_finding(finding) for finding in findings],
    }


def canonical_content(order: WorkOrder, *, up_to: OrderStep | int | None = None) -> bytes:
    """The RFC 8785 canonical JSON of the content."""
    return rfc8785.dumps(order_content(order, up_to=up_to))


def content_sha256(order: WorkOrder, *, up_to: OrderStep | int | None = None) -> str:
    """SHA-256 of the canonical content, in hexadecimal."""
    return hashlib.sha256(canonical_content(order, up_to=up_to)).hexdigest()


def people_in(content: dict[str, Any]) -> dict[str, str]:
    """The names, today, of all people who stand in a content, by id as text."""
    names = Person.objects.filter(pk__in=set(_ids(content))).order_by("pk").values_list("pk", "name")
    return {str(pk): name for pk, name in names}


def _ids(node: Any) -> Iterator[int]:
    if isinstance(node, dict):
        for key, value in node.items():
            if key in _BY_ID and isinstance(value, int):
                yield value
            else:
                yield from _ids(value)
    elif isinstance(node, list):
        for value in node:
            yield from _ids(value)


def _order(order: WorkOrder) -> dict[str, Any]:
    return {
        "number": order.number,
        "shop": order.shop.code,
        "unit": order.unit.number,
        "engine": order.engine.serial,
        "engine_type": order.engine.engine_type.code,
        "procedure": order.procedure.code,
        "reason": order.reason,
        "reason_note": order.reason_note,
        "requested_by": order.requested_by_id,
        "requested_at": _instant(order.requested_at),
        "released_at": _instant(order.released_at),
        "started_at": _instant(order.started_at),
    }


def _frozen(order: WorkOrder) -> dict[str, Any]:
    procedure, engine = order.procedure_revision, order.engine_type_revision
    return {
        "procedure": None if procedure is None else _revision(procedure.procedure.code, procedure.number),
        "engine_type": None
        if engine is None
        else {
            **_revision(engine.engine_type.code, engine.number),
            "reference_cylinder": engine.reference_cylinder,
            "rotation": engine.rotation,
            "viewing_end": engine.viewing_end,
            "convention": engine.convention,
            "hysteresis_limit_deg": engine.hysteresis_limit_deg,
        },
        "spec": order.spec,
    }


def _revision(code: str, number: int) -> dict[str, Any]:
    return {"code": code, "revision": number}


def _steps(order: WorkOrder, position: int | None) -> list[dict[str, Any]]:
    steps = order.steps.select_related("definition__skill").order_by("position")
    if position is not None:
        steps = steps.filter(position__lte=position)
    steps = steps.prefetch_related(
        "acknowledgements",
        "photos",
        Prefetch("readings", queryset=Reading.objects.select_related("instrument")),
        Prefetch("instrument_uses", queryset=InstrumentUse.objects.select_related("instrument", "calibration")),
        Prefetch(
            "traces",
            queryset=Trace.objects.select_related("probe", "encoder", "probe_calibration", "encoder_calibration"),
        ),
        "traces__analyses",
    )
    found = list(steps)
    workers = None if position is None else {person for step in found for person in _who_worked(step)}
    return [_step(step, workers) for step in found]


def _who_worked(step: OrderStep) -> Iterator[int | None]:
    if step.definition.kind != ProcedureStep.Kind.HOLD_POINT:
        yield step.done_by_id
    yield from (reading.by_id for reading in step.readings.all())
    yield from (photo.by_id for photo in step.photos.all())
    yield from (trace.uploaded_by_id for trace in step.traces.all())


def _step(step: OrderStep, workers: set[int | None] | None) -> dict[str, Any]:
    is_hold = step.definition.kind == ProcedureStep.Kind.HOLD_POINT
    acknowledged = [one for one in step.acknowledgements.all() if workers is None or one.person_id in workers]
    done = {
        "state": step.state,
        "done_by": step.done_by_id,
        "done_at": _instant(step.done_at),
        "note": step.note,
    }
    return {
        "position": step.position,
        **_definition(step.definition),
        **({} if is_hold else done),
        "acknowledgements": [_acknowledgement(one) for one in sorted(acknowledged, key=_by_pk)],
        "readings": [_reading(one) for one in sorted(step.readings.all(), key=_by_pk)],
        "instruments": [_use(one) for one in sorted(step.instrument_uses.all(), key=_by_pk)],
        "photos": [_photo(one) for one in sorted(step.photos.all(), key=_by_pk)],
        "traces": [_trace(one) for one in sorted(step.traces.all(), key=_by_time)],
    }


def _by_pk(thing: Any) -> int:
    return int(thing.pk)


def _by_time(trace: Trace) -> tuple[datetime, str]:
    return trace.uploaded_at, str(trace.pk)


def _definition(definition: ProcedureStep) -> dict[str, Any]:
    return {
        "phase": definition.phase,
        "kind": definition.kind,
        "title": definition.title,
        "instruction": definition.instruction,
        "signal_word": definition.signal_word,
        "hazard": definition.hazard,
        "consequence": definition.consequence,
        "avoidance": definition.avoidance,
        "quantity": definition.quantity,
        "unit": definition.unit,
        "low": _decimal(definition.low),
        "high": _decimal(definition.high),
        "points": list(definition.points),
        "instrument_kinds": list(definition.instrument_kinds),
        "stage": definition.stage,
        "skill": definition.skill.code,
        "optional_when": definition.optional_when,
    }


def _acknowledgement(one: Acknowledgement) -> dict[str, Any]:
    return {"by": one.person_id, "at": _instant(one.at)}


def _reading(reading: Reading) -> dict[str, Any]:
    return {
        "id": reading.pk,
        "point": reading.point,
        "entered": reading.entered,
        "entered_unit": reading.entered_unit,
        "value": _decimal(reading.value),
        "unit": reading.unit,
        "low": _decimal(reading.low),
        "high": _decimal(reading.high),
        "within": reading.within,
        "instrument": reading.instrument.asset_number if reading.instrument else None,
        "by": reading.by_id,
        "at": _instant(reading.at),
        "superseded_at": _instant(reading.superseded_at),
        "supersedes": reading.supersedes_id,
        "correction_reason": reading.correction_reason,
    }


def _use(use: InstrumentUse) -> dict[str, Any]:
    return {
        "instrument": use.instrument.asset_number,
        "calibration": use.calibration.certificate,
        "due_on": _day(use.due_on),
        "by": use.by_id,
        "at": _instant(use.at),
    }


def _photo(photo: Photo) -> dict[str, Any]:
    return {
        "sha256": photo.sha256,
        "filename": photo.filename,
        "media_type": photo.media_type,
        "size_bytes": photo.size_bytes,
        "by": photo.by_id,
        "at": _instant(photo.at),
    }


def _trace(trace: Trace) -> dict[str, Any]:
    return {
        "id": str(trace.pk),
        "stage": trace.stage,
        "sha256": trace.bytes_id,
        "filename": trace.filename,
        "probe": trace.probe.asset_number,
        "probe_calibration": trace.probe_calibration.certificate,
        "probe_due_on": _day(trace.probe_calibration.valid_until),
        **_form(trace),
        "uploaded_by": trace.uploaded_by_id,
        "uploaded_at": _instant(trace.uploaded_at),
        "analyses": [_analysis(one) for one in sorted(trace.analyses.all(), key=lambda one: one.number)],
    }


def _form(trace: Trace) -> dict[str, Any]:
    """The encoder of a recording; what has none says what it is instead."""
    encoder, calibration = trace.encoder, trace.encoder_calibration
    if encoder is None or calibration is None:
        return {"form": trace.form}
    return {
        "encoder": encoder.asset_number,
        "encoder_calibration": calibration.certificate,
        "encoder_due_on": _day(calibration.valid_until),
    }


def _analysis(analysis: Analysis) -> dict[str, Any]:
    return {
        "number": analysis.number,
        "outcome": analysis.outcome,
        "verdict": analysis.verdict,
        "reference_deg": analysis.reference_deg,
        "deviation_deg": analysis.deviation_deg,
        "expanded_uncertainty_deg": analysis.expanded_uncertainty_deg,
        "hysteresis_deg": analysis.hysteresis_deg,
        "analysis_version": analysis.analysis_version,
        "input_sha256": analysis.input_sha256,
        # The whole of it, plot and correction too: what is shown of a result is what was signed.
        "result_sha256": hashlib.sha256(rfc8785.dumps(analysis.result)).hexdigest(),
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "number": finding.number,
        "kind": finding.kind,
        "position": finding.step.position if finding.step is not None else None,
        "reading": finding.reading_id,
        "text": finding.text,
        "raised_by": finding.raised_by_id,
        "raised_at": _instant(finding.raised_at),
        "decision": finding.decision,
        "decision_reason": finding.decision_reason,
        "decided_by": finding.decided_by_id,
        "decided_at": _instant(finding.decided_at),
    }


def _instant(at: datetime | None) -> str | None:
    return None if at is None else at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _day(day: date) -> str:
    return day.isoformat()


def _decimal(value: Decimal | None) -> str | None:
    return None if value is None else quantities.plain(value)
