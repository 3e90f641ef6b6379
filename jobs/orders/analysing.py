"""What an analysis stands on: the trace's bytes, the frozen spec, the calibrations, the analysis version."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any

import analysis
from jobs.ledger.chain import canonical
from jobs.orders.models import Trace

ERRAND = "analyse-trace"


@dataclass(frozen=True)
class Input:
    """Everything that the result is a function of; the same `sha256` is the same result."""

    trace_sha256: str
    spec: dict[str, Any]
    calibrations: list[dict[str, Any]]
    version: str

    @property
    def spec_sha256(self) -> str:
        return hashlib.sha256(canonical(self.spec)).hexdigest()

    @property
    def sha256(self) -> str:
        document = {
            "analysis_version": self.version,
            "calibrations": self.calibrations,
            "spec": self.spec,
            "trace_sha256": self.trace_sha256,
        }
        return hashlib.sha256(canonical(document)).hexdigest()


def input_of(trace: Trace) -> Input:
    """What an analysis of the trace would stand on now.

    The spec is the one frozen at release. The calibration of the probe that was used adds how its counts
    become millimetres, or else its own standard uncertainty in place of what the engine type assumes.
    """
    spec = dict(trace.work_order.spec or {})
    probe = trace.probe_calibration
    if probe.probe_calibration is not None:
        spec["probe_calibration"] = probe.probe_calibration
    elif probe.standard_uncertainty is not None and trace.probe.range_unit in {"", "mm"}:
        spec["u_probe_mm"] = probe.standard_uncertainty
    return Input(
        trace_sha256=trace.bytes_id,
        spec=spec,
        calibrations=[
            {
                "id": calibration.pk,
                "instrument": instrument.asset_number,
                "certificate": calibration.certificate,
                "valid_until": calibration.valid_until.isoformat(),
            }
            for instrument, calibration in trace.instruments
        ],
        version=analysis.__version__,
    )
