"""What a job card shows, gathered from the record in one go and put in the words of the page."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import groupby
from typing import Any

from django.db.models import Prefetch, QuerySet

from jobs.orders import quantities
from jobs.orders.hand import Sheet, readings_of
from jobs.orders.models import (
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
from jobs.signoffs import documents, queries
from jobs.signoffs.models import SignOff
from jobs.signoffs.queries import Standing


class ChangedMeanwhileError(Exception):
    """The record changed while the card was being put together; it is put together anew."""


@dataclass(frozen=True)
class Value:
    """The value that counts at one point, and the earlier ones that it corrects."""

    point: str
    counting: Reading | None
    earlier: tuple[Reading, ...]

    @property
    def corrections(self) -> list[Reading]:
        """The readings that corrected an earlier one, in their order."""
        every = [*self.earlier, *([self.counting] if self.counting else [])]
        return [one for one in every if one.supersedes_id]


@dataclass(frozen=True)
class StepFacts:
    step: OrderStep
    definition: ProcedureStep
    values: tuple[Value, ...]
    limits: str
    instruments: str
    findings: tuple[Finding, ...]
    signoffs: tuple[Standing, ...]
    traces: tuple[TraceFacts, ...]


@dataclass(frozen=True)
class TraceFacts:
    """A trace with the analysis of it that counts; `counts` tells whether the trace does at its step."""

    trace: Trace
    analysis: Analysis | None
    counts: bool
    tolerance_deg: float | None

    @property
    def result(self) -> dict[str, Any]:
        return dict(self.analysis.result or {}) if self.analysis else {}

    @property
    def budget(self) -> list[dict[str, Any]]:
        return list(self.result.get("budget") or [])

    @property
    def checks(self) -> list[dict[str, Any]]:
        return list(self.result.get("checks") or [])

    @cached_property
    def hand(self) -> Sheet | None:
        """The readings themselves, when they were taken by hand."""
        return readings_of(self.trace)

    @property
    def correction(self) -> dict[str, Any]:
        return dict(self.result.get("correction") or {})


@dataclass(frozen=True)
class CardFacts:
    """Everything on the card but its own number and figures."""

    order: WorkOrder
    content_sha256: str
    phases: tuple[tuple[str, tuple[StepFacts, ...]], ...]
    uses: tuple[InstrumentUse, ...]
    traces: tuple[TraceFacts, ...]
    findings: tuple[Finding, ...]
    signoffs: tuple[Standing, ...]
    lost: tuple[str, ...] = ()

    @property
    def results(self) -> list[TraceFacts]:
        """The traces that count, in the order of the work: as-found, then as-left."""
        return [one for one in self.traces if one.counts]

    @property
    def stages(self) -> list[tuple[str, str, TraceFacts | None]]:
        return [(stage, label, self.result_of(stage)) for stage, label in ProcedureStep.Stage.choices]

    def _signer(self, meaning: SignOff.Meaning) -> str:
        signed = [one.signoff for one in self.signoffs if one.holds and one.signoff.meaning == meaning]
        return signed[-1].signer_name if signed else ""

    @property
    def performed_by(self) -> str:
        return self._signer(SignOff.Meaning.PERFORMED)

    @property
    def verified_by(self) -> str:
        return self._signer(SignOff.Meaning.VERIFIED)

    @property
    def released_by(self) -> str:
        return self._signer(SignOff.Meaning.RELEASED)

    def result_of(self, stage: str) -> TraceFacts | None:
        found = [one for one in self.results if one.trace.stage == stage]
        return found[-1] if found else None


def gather(order_pk: int) -> CardFacts:
    """Everything a card of this order shows; raises `ChangedMeanwhileError` when a change fell in between."""
    before = _state_of(order_pk)
    order = _order(order_pk)
    signoffs = tuple(queries.standings(order))
    traces = tuple(_traces(order))
    steps = tuple(_step(step, signoffs, traces) for step in _steps(order))
    facts = CardFacts(
        order=order,
        content_sha256=documents.content_sha256(order),
        phases=_phases(steps),
        uses=_first_uses(order),
        traces=traces,
        findings=tuple(order.findings.select_related("step", "raised_by", "decided_by")),
        signoffs=signoffs,
        lost=tuple(queries.lost(order)),
    )
    if _state_of(order_pk) != before:
        raise ChangedMeanwhileError(f"{order.number} changed while its job card was being put together")
    return facts


def _state_of(order_pk: int) -> tuple[int, str]:
    return WorkOrder.objects.values_list("revision", "state").get(pk=order_pk)


def _order(order_pk: int) -> WorkOrder:
    return WorkOrder.objects.select_related(
        "shop",
        "unit__home_shop",
        "engine__engine_type",
        "procedure",
        "technician",
        "inspector",
        "requested_by",
        "engine_type_revision__engine_type",
        "procedure_revision__procedure",
    ).get(pk=order_pk)


def _steps(order: WorkOrder) -> QuerySet[OrderStep]:
    return order.steps.select_related("definition__skill", "done_by").prefetch_related(
        Prefetch("readings", queryset=Reading.objects.select_related("instrument", "by").order_by("pk")),
        "acknowledgements__person",
        Prefetch("photos", queryset=Photo.objects.select_related("by")),
        Prefetch("findings", queryset=Finding.objects.select_related("raised_by", "decided_by")),
        Prefetch("instrument_uses", queryset=InstrumentUse.objects.select_related("instrument")),
    )


def _step(step: OrderStep, signoffs: Iterable[Standing], traces: Iterable[TraceFacts]) -> StepFacts:
    definition = step.definition
    return StepFacts(
        step=step,
        definition=definition,
        values=tuple(_values(step)),
        limits=limits(definition.low, definition.high, definition.unit),
        instruments=", ".join(sorted({use.instrument.asset_number for use in step.instrument_uses.all()})),
        findings=tuple(step.findings.all()),
        signoffs=tuple(one for one in signoffs if one.signoff.step_id == step.pk),
        traces=tuple(one for one in traces if one.trace.step_id == step.pk),
    )


def _values(step: OrderStep) -> Iterable[Value]:
    """One for each point that is to be read or was."""
    readings = list(step.readings.all())
    wanted = step.definition.kind in {ProcedureStep.Kind.READING, ProcedureStep.Kind.TORQUE}
    points = step.definition.reading_points if wanted else []
    for point in [*points, *sorted({one.point for one in readings} - set(points))]:
        of_point = [one for one in readings if one.point == point]
        counting = [one for one in of_point if one.superseded_at is None]
        earlier = tuple(one for one in of_point if one.superseded_at is not None)
        yield Value(point, counting[-1] if counting else None, earlier)


def _phases(steps: Iterable[StepFacts]) -> tuple[tuple[str, tuple[StepFacts, ...]], ...]:
    grouped = groupby(steps, key=lambda one: one.definition.get_phase_display())
    return tuple((phase, tuple(of_phase)) for phase, of_phase in grouped)


def _first_uses(order: WorkOrder) -> tuple[InstrumentUse, ...]:
    """Each instrument once for each calibration it was used on the strength of."""
    uses = order.instrument_uses.select_related("instrument", "calibration", "step").order_by("at", "pk")
    found: dict[tuple[int, int], InstrumentUse] = {}
    for use in uses:
        found.setdefault((use.instrument_id, use.calibration_id), use)
    return tuple(sorted(found.values(), key=lambda use: (use.instrument.kind, use.instrument.asset_number)))


def _traces(order: WorkOrder) -> Iterable[TraceFacts]:
    traces = order.traces.select_related(
        "step", "probe", "probe_calibration", "encoder", "encoder_calibration", "uploaded_by"
    ).prefetch_related(Prefetch("analyses", queryset=Analysis.objects.order_by("number")))
    every = list(traces.order_by("step__position", "uploaded_at", "pk"))
    last_of_step = {trace.step_id: trace.pk for trace in every}
    tolerance = (order.spec or {}).get("tolerance_deg")
    for trace in every:
        analyses = list(trace.analyses.all())
        yield TraceFacts(
            trace=trace,
            analysis=analyses[-1] if analyses else None,
            counts=last_of_step[trace.step_id] == trace.pk,
            tolerance_deg=float(tolerance) if tolerance is not None else None,
        )


def limits(low: Decimal | None, high: Decimal | None, unit: str) -> str:
    """Limits with their unit: “81 to 99 N·m”, “at least 5 mm”, “at most 40 °C”, or nothing."""
    if low is not None and high is not None:
        return f"{quantities.plain(low)} to {quantities.plain(high)} {unit}".rstrip()
    if low is not None:
        return f"at least {quantities.plain(low)} {unit}".rstrip()
    if high is not None:
        return f"at most {quantities.plain(high)} {unit}".rstrip()
    return ""
