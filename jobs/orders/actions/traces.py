"""Handing in a trace, and asking for it to be analysed again."""

from __future__ import annotations

from datetime import datetime
from typing import BinaryIO

from django.db import transaction

from jobs.errands import actions as errands
from jobs.errands.models import Errand
from jobs.errors import BadInput, Reason, refuse
from jobs.orders import analysing, facts, queries, rules, storage
from jobs.orders.actions.common import announce, local, locked_for, record, save
from jobs.orders.actions.findings import add_finding
from jobs.orders.actions.steps import locked_step
from jobs.orders.models import Finding, InstrumentUse, OrderStep, ProcedureStep, Trace, TraceBytes
from jobs.orders.rules.traces import why_not_again, why_not_analyse_again, why_not_bytes
from jobs.people import policies
from jobs.people.models import Person
from jobs.tooling import queries as tooling
from jobs.tooling import rules as tooling_rules
from jobs.tooling.models import Calibration, Instrument

FIRST_BYTES = 512


def upload_trace(
    step: OrderStep,
    *,
    file: BinaryIO,
    filename: str,
    probe: Instrument,
    encoder: Instrument,
    repeated_because: str = "",
    by: Person,
    at: datetime,
) -> tuple[Trace, bool]:
    """Hand in a trace at its step and ask a worker to analyse it.

    The bytes are stored before anything is written down, and outside the transaction: a hundred megabytes
    must not keep the shop's other writers waiting. The same bytes handed in at the same step again are the
    trace that is there (second value False); at another step or order they are refused, unless somebody
    says why, which becomes a finding.
    """
    policies.require(by, "upload-trace")
    first = file.read(FIRST_BYTES)
    file.seek(0)
    refuse(why_not_bytes(first), BadInput)
    refuse(_why_not_reason(repeated_because), BadInput)
    kept = storage.traces().keep(storage.chunks_of(file))
    return take(
        step,
        kept=kept,
        filename=_clean(filename),
        probe=probe,
        encoder=encoder,
        repeated_because=repeated_because.strip(),
        by=by,
        at=at,
    )


@transaction.atomic
def analyse_again(trace: Trace, *, by: Person, at: datetime) -> Errand:
    """Ask for a new analysis: with new calibrations or a new version, or after no worker could do it."""
    order = locked_for(trace.work_order_id, by=by, action="upload-trace")
    trace = queries.trace_for(by, trace.pk)
    trace.work_order = order
    wanted = analysing.input_of(trace)
    newest = queries.latest_analysis(trace)
    refuse(why_not_analyse_again(order.number, order.state, newest, wanted.sha256))
    errand = _ask(trace, wanted, asked_by=by.name)
    errands.ask_again(errand)
    if trace.failure:
        trace.failure = ""
        trace.save(update_fields=["failure"])
        save(order)
    errand.refresh_from_db()
    return errand


@transaction.atomic
def take(
    step: OrderStep,
    *,
    kept: storage.Kept,
    filename: str,
    probe: Instrument,
    encoder: Instrument | None,
    repeated_because: str,
    by: Person,
    at: datetime,
) -> tuple[Trace, bool]:
    """Write down what was stored and have it analysed; without an encoder it is readings by hand."""
    step = locked_step(step, by=by, action="upload-trace")
    there = step.traces.filter(bytes=kept.sha256).first()
    if there is not None:
        return there, False
    places = _places(kept.sha256, by)
    used = [probe] if encoder is None else [probe, encoder]
    calibrations = _refuse_unless_allowed(step, used, places, repeated_because, by=by, at=at)
    TraceBytes.objects.get_or_create(sha256=kept.sha256, defaults={"size_bytes": kept.size_bytes, "stored_at": at})
    trace = Trace.objects.create(
        work_order=step.work_order,
        step=step,
        stage=step.definition.stage,
        bytes_id=kept.sha256,
        form=Trace.Form.HAND_READINGS if encoder is None else Trace.Form.RECORDING,
        filename=filename,
        probe=probe,
        probe_calibration=calibrations[0],
        encoder=encoder,
        encoder_calibration=None if encoder is None else calibrations[1],
        uploaded_by=by,
        uploaded_at=at,
    )
    _record_upload(trace, kept, repeated_because, by=by, at=at)
    if places and repeated_because:
        text = f"The {trace.noun} {filename} {_was(trace)} handed in at {', '.join(places)} as well: {repeated_because}"
        add_finding(step.work_order, kind=Finding.Kind.OBSERVATION, text=text, step=step, by=by, at=at)
    _ask(trace, analysing.input_of(trace), asked_by=by.name)
    announce(step.work_order, by=by, at=at, what=f"{_a(trace)} handed in at step {step.position}")
    return trace, True


def _refuse_unless_allowed(
    step: OrderStep,
    instruments: list[Instrument],
    places: list[str],
    repeated_because: str,
    *,
    by: Person,
    at: datetime,
) -> list[Calibration]:
    """The calibrations of the probe, and of the encoder if there is one; raises `NotAllowed` with every reason."""
    day = local(at, step.work_order).date()
    reasons = rules.why_not_do_step(facts.of_step(step, by=by, at=at))
    if step.definition.kind != ProcedureStep.Kind.TRACE:
        sentence = f"“{step.definition.title}” is a {step.definition.get_kind_display()} step; it takes no trace."
        reasons.append(Reason("wrong-kind", sentence))
    calibrations = []
    locked = {pk: tooling.locked_instrument(pk) for pk in sorted(instrument.pk for instrument in instruments)}
    for instrument, kind in zip(instruments, (Instrument.Kind.PROBE, Instrument.Kind.ENCODER), strict=False):
        fresh = locked[instrument.pk]
        calibration = tooling.newest_calibration(fresh, day)
        reasons += tooling_rules.why_not_use(
            fresh, kind=kind, shop=step.work_order.shop, day=day, calibration=calibration, field=kind.value
        )
        if calibration is not None:
            calibrations.append(calibration)
    refuse([*reasons, *why_not_again(places, repeated_because)])
    return calibrations


def _places(sha256: str, by: Person) -> list[str]:
    """Where the bytes were handed in before; of another shop only that it was there."""
    found = Trace.objects.filter(bytes=sha256).select_related("work_order", "step").order_by("uploaded_at")
    return [
        f"{trace.work_order.number} step {trace.step.position}"
        if trace.work_order.shop_id == by.shop_id
        else "another shop"
        for trace in found
    ]


def _record_upload(trace: Trace, kept: storage.Kept, repeated_because: str, *, by: Person, at: datetime) -> None:
    order, step = trace.work_order, trace.step
    for instrument, calibration in trace.instruments:
        InstrumentUse.objects.get_or_create(
            step=step,
            instrument=instrument,
            calibration=calibration,
            defaults={"work_order": order, "due_on": calibration.valid_until, "by": by, "at": at},
        )
    save(order)
    record(
        "trace.uploaded",
        order,
        by=by,
        at=at,
        sentence=f"The {trace.get_stage_display()} {trace.noun} {trace.filename} of {order.number} "
        f"{_was(trace)} handed in.",
        about=[trace, *(thing for pair in trace.instruments for thing in pair)],
        data={
            "position": step.position,
            "sha256": kept.sha256,
            "size_bytes": kept.size_bytes,
            "filename": trace.filename,
            "probe": trace.probe.asset_number,
            "probe_certificate": trace.probe_calibration.certificate,
            "encoder": trace.encoder.asset_number if trace.encoder else "",
            "encoder_certificate": trace.encoder_calibration.certificate if trace.encoder_calibration else "",
            "form": trace.form,
            "repeated_because": repeated_because,
        },
    )


def _ask(trace: Trace, wanted: analysing.Input, *, asked_by: str) -> Errand:
    """Asked once for one input: the key is the trace and everything the result will stand on."""
    return errands.ask(
        analysing.ERRAND,
        subject=f"{trace.pk}:{wanted.sha256}",
        chain=trace.work_order.shop.code,
        arguments={"trace": str(trace.pk)},
        asked_by=asked_by,
    )


def _was(trace: Trace) -> str:
    return "were" if trace.by_hand else "was"


def _a(trace: Trace) -> str:
    return "hand readings were" if trace.by_hand else "a trace was"


def _why_not_reason(repeated_because: str) -> list[Reason]:
    return rules.why_not_text(repeated_because or "-", "repeated_because", "Say why.")


def _clean(filename: str) -> str:
    """The last part of a name as it came, of characters that can be shown."""
    last = filename.replace("\\", "/").rsplit("/", 1)[-1]
    return "".join(char for char in last if char.isprintable()).strip()[-200:] or "trace"
