"""Walking a work order through its steps as two people would, for tests that need one on its way."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from jobs.orders.models import Analysis, OrderStep, Photo, Trace, TraceBytes, WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.cast import SPEC, STEP


@dataclass
class Walk:
    """Does steps through the actions; the photo and the analysed trace are laid down as rows.

    `walk(order, until="torque")` stops before that step (a name of `cast.STEP`, a position); `walk.do(step)`
    does one step. `as_found` and `as_left` say what the analyses come to: (verdict, deviation in degrees).
    """

    technician: Person
    inspector: Person
    instruments: dict[str, Instrument]
    at: datetime
    as_found: tuple[str, float] = ("nonconforming", 1.0)
    as_left: tuple[str, float] = ("conforming", 0.02)
    ring_shift_mm: str = "-4.276"  # retards, which takes out 1.0° at a radius of 250 mm: 250 · π/180 − 2 % of it, 0.02°

    def __call__(self, order: WorkOrder, *, until: str | int | None = None) -> WorkOrder:
        from jobs.orders import queries

        stop = STEP[until] if isinstance(until, str) else until
        while (step := queries.current_step(order)) is not None and step.position != stop:
            self.do(step)
        order.refresh_from_db()
        return order

    def do(self, step: OrderStep) -> None:
        """Do one step with values within its limits."""
        from jobs.orders import actions

        kind = step.definition.kind
        if kind == "caution":
            actions.acknowledge_caution(step, by=self.technician, at=self.at)
        elif kind in {"reading", "torque"}:
            self._read(step)
        elif kind == "photo":
            self.give_photo(step)
            actions.confirm_step(step, by=self.technician, at=self.at)
        elif kind == "trace":
            verdict, deviation = self.as_found if step.definition.stage == "as-found" else self.as_left
            self.give_result(step, verdict=verdict, deviation_deg=deviation)
            actions.confirm_step(step, by=self.technician, at=self.at)
        elif kind == "hold-point":
            actions.complete_hold_point(step, by=self.inspector, at=self.at)
        else:
            actions.confirm_step(step, by=self.technician, at=self.at)

    def _read(self, step: OrderStep) -> None:
        from jobs.orders import actions

        wanted = [self.instruments[kind] for kind in step.definition.instrument_kinds]
        entered = {"check standard": "10.004", "ring shift": self.ring_shift_mm, "torque": "90"}
        for point in step.definition.reading_points:
            actions.record_reading(
                step,
                point=point,
                entered=entered[step.definition.quantity],
                unit=step.definition.unit,
                instrument=wanted[0] if wanted else None,
                also=wanted[1:],
                by=self.technician,
                at=self.at,
            )

    def give_photo(self, step: OrderStep, content: bytes = b"a picture") -> Photo:
        """A photo at a step, as a row only."""
        return Photo.objects.create(
            step=step,
            sha256=hashlib.sha256(content).hexdigest(),
            filename="probe.jpg",
            media_type="image/jpeg",
            size_bytes=len(content),
            by=self.technician,
            at=self.at,
        )

    def give_trace(self, step: OrderStep, content: bytes = b"") -> Trace:
        """A trace at a step, as rows only: no bytes lie in the store."""
        order = step.work_order
        content = content or f"{order.number} {step.position} {step.traces.count()}".encode()
        kept, _ = TraceBytes.objects.get_or_create(
            sha256=hashlib.sha256(content).hexdigest(), defaults={"size_bytes": len(content)}
        )
        probe, encoder = self.instruments["probe"], self.instruments["encoder"]
        return Trace.objects.create(
            work_order=order,
            step=step,
            stage=step.definition.stage,
            bytes=kept,
            filename=f"{step.definition.stage}.csv",
            probe=probe,
            probe_calibration=probe.calibrations.get(),
            encoder=encoder,
            encoder_calibration=encoder.calibrations.get(),
            uploaded_by=self.technician,
            uploaded_at=self.at + timedelta(seconds=step.traces.count()),
        )

    def give_result(
        self,
        step: OrderStep,
        *,
        verdict: str = "conforming",
        deviation_deg: float = 0.0,
        expanded_deg: float = 0.05,
        hysteresis_deg: float | None = 0.1,
        outcome: str = "result",
        trace: Trace | None = None,
        result: dict[str, Any] | None = None,
    ) -> Analysis:
        """An analysis of a trace (a new one unless given) at a step, as a row only."""
        trace = trace or self.give_trace(step)
        number = trace.analyses.count() + 1
        none = verdict == "no-result"
        reference = None if none else SPEC["target_deg"] + deviation_deg
        deviation = None if none else deviation_deg
        result = result or {"verdict": verdict, "reference_deg": reference, "deviation_deg": deviation}
        if outcome == "refused":
            result = {"refused": {"message": "not a trace", "line": 1, "column": None}}
        return Analysis.objects.create(
            trace=trace,
            number=number,
            outcome=outcome,
            verdict=verdict,
            reference_deg=reference,
            deviation_deg=deviation,
            expanded_uncertainty_deg=None if none else expanded_deg,
            hysteresis_deg=None if none else hysteresis_deg,
            result=result,
            spec=SPEC,
            spec_sha256="0" * 64,
            calibrations={},
            analysis_version="test",
            input_sha256=hashlib.sha256(f"{trace.pk} {number}".encode()).hexdigest(),
            made_at=self.at,
            supersedes=trace.analyses.order_by("-number").first(),
        )
