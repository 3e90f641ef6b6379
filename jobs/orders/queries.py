"""Reads about procedures, work orders, their steps and traces. Another shop's work is simply not found."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypeVar
from uuid import UUID

from django.db.models import Prefetch, QuerySet
from django.http import Http404

from jobs.orders.models import (
    Analysis,
    Finding,
    OrderStep,
    Photo,
    Procedure,
    ProcedureRevision,
    Reading,
    Trace,
    WorkOrder,
)
from jobs.people.models import Person

Found = TypeVar("Found")

_OF_ORDER = (
    "shop",
    "unit",
    "engine__engine_type",
    "procedure",
    "technician",
    "inspector",
    "requested_by",
    "engine_type_revision__engine_type",
    "procedure_revision__procedure",
)
_OF_STEP = ("definition__skill", "done_by", "work_order__shop", "work_order__unit", "work_order__engine")


def orders_for(person: Person) -> QuerySet[WorkOrder]:
    """The work orders of the person's own shop, most urgent first."""
    return WorkOrder.objects.filter(shop=person.shop_id).select_related(*_OF_ORDER)


def order_for(person: Person, pk: int) -> WorkOrder:
    """One work order of the person's shop; Http404 otherwise."""
    return _found(orders_for(person).filter(pk=pk).first(), "work order")


def locked_order(pk: int) -> WorkOrder:
    """The work order with its row locked until the transaction ends; what every action takes first."""
    return WorkOrder.objects.select_for_update(of=("self",)).select_related(*_OF_ORDER).get(pk=pk)


def locked_orders(pks: Iterable[int]) -> dict[int, WorkOrder]:
    """The work orders by their key, with their rows locked in the order of the keys until the transaction ends."""
    found = WorkOrder.objects.select_for_update(of=("self",)).select_related(*_OF_ORDER)
    return {order.pk: order for order in found.filter(pk__in=list(pks)).order_by("pk")}


def steps_of(order: WorkOrder) -> QuerySet[OrderStep]:
    """The steps of an order in their sequence, with everything recorded at them."""
    counting = Reading.objects.filter(superseded_at__isnull=True).select_related("instrument", "by")
    return order.steps.select_related(*_OF_STEP).prefetch_related(
        Prefetch("readings", queryset=counting, to_attr="counting_readings"),
        Prefetch("acknowledgements"),
        Prefetch("photos", queryset=Photo.objects.select_related("by")),
        Prefetch("findings", queryset=Finding.objects.select_related("raised_by", "decided_by")),
        Prefetch("traces", queryset=Trace.objects.select_related("probe", "encoder", "uploaded_by")),
    )


def step_for(person: Person, order_pk: int, position: int) -> OrderStep:
    """One step of a work order of the person's shop; Http404 otherwise."""
    steps = OrderStep.objects.filter(work_order__shop=person.shop_id, work_order=order_pk, position=position)
    return _found(steps.select_related(*_OF_STEP).first(), "step")


def trace_for(person: Person, pk: UUID | str) -> Trace:
    """One trace of the person's shop; Http404 otherwise."""
    traces = Trace.objects.filter(work_order__shop=person.shop_id, pk=pk).select_related(
        "work_order__shop",
        "work_order__unit",
        "work_order__engine",
        "step__definition",
        "bytes",
        "probe",
        "probe_calibration",
        "encoder",
        "encoder_calibration",
        "uploaded_by",
    )
    return _found(traces.first(), "trace")


def reading_for(person: Person, pk: int) -> Reading:
    """One reading of the person's shop; Http404 otherwise."""
    readings = Reading.objects.filter(step__work_order__shop=person.shop_id, pk=pk)
    return _found(readings.select_related("step__work_order", "instrument", "by").first(), "reading")


def finding_for(person: Person, pk: int) -> Finding:
    """One finding of the person's shop; Http404 otherwise."""
    findings = Finding.objects.filter(work_order__shop=person.shop_id, pk=pk)
    return _found(findings.select_related("work_order", "step", "reading", "raised_by").first(), "finding")


def photo_for(person: Person, pk: int) -> Photo:
    """One photo of the person's shop; Http404 otherwise."""
    photos = Photo.objects.filter(step__work_order__shop=person.shop_id, pk=pk)
    return _found(photos.select_related("step__work_order", "by").first(), "photo")


def current_step(order: WorkOrder) -> OrderStep | None:
    """The first step that is still open, or None when all are done."""
    still_open = order.steps.filter(state=OrderStep.State.OPEN)
    return still_open.select_related(*_OF_STEP).order_by("position").first()


def latest_trace(step: OrderStep) -> Trace | None:
    """The trace handed in last at a step: the one that counts."""
    return step.traces.order_by("-uploaded_at", "-pk").first()


def latest_analysis(trace: Trace) -> Analysis | None:
    """The analysis of a trace that nothing supersedes, or None while there is none."""
    return trace.analyses.order_by("-number").first()


def stage_result(order: WorkOrder, stage: str) -> Analysis | None:
    """The latest analysis of the trace that counts at the last step of a stage (`as-found`, `as-left`)."""
    step = order.steps.filter(definition__kind="trace", definition__stage=stage).order_by("-position").first()
    trace = latest_trace(step) if step is not None else None
    return latest_analysis(trace) if trace is not None else None


def newest_revision(procedure: Procedure) -> ProcedureRevision | None:
    """The revision with the highest number, issued or not."""
    return procedure.revisions.order_by("-number").first()


def current_revision(procedure: Procedure) -> ProcedureRevision | None:
    """The newest issued revision, or None when none is issued."""
    return procedure.revisions.filter(issued_at__isnull=False).order_by("-number").first()


def _found(thing: Found | None, what: str) -> Found:
    if thing is None:
        raise Http404(f"There is no such {what} in your shop.")
    return thing
