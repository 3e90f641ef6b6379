"""The result: what the analysis says (trace-format, section 3), as frozen facts with their JSON form."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, is_dataclass
from typing import Literal

import numpy as np

Verdict = Literal["conforming", "nonconforming", "undecided", "no-result"]
Direction = Literal["forward", "reverse"]


@dataclass(frozen=True)
class SweepResult:
    """One sweep; angles in crank degrees, times in seconds of the trace, None for readings by hand."""

    direction: Direction
    start_s: float | None
    stop_s: float | None
    reference_deg: float | None
    standard_uncertainty_deg: float | None
    used: bool
    reason: str


@dataclass(frozen=True)
class Check:
    """One quality gate: a fact, its limit, and a sentence for a technician."""

    name: str
    passed: bool
    value: float | None
    limit: float | None
    unit: str
    message: str


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty; `share` is its part of the variance, 0 to 1."""

    source: str
    type: Literal["A", "B"]
    standard_uncertainty_deg: float
    share: float


@dataclass(frozen=True)
class Correction:
    """How far the index ring has to go; the sense is that of the ring's motion against normal rotation."""

    ring_shift_deg: float
    ring_shift_mm: float | None
    sense: Literal["advance", "retard", "none"]


@dataclass(frozen=True)
class Result:
    """Everything that crosses the boundary; None in a number means there is none."""

    reference_deg: float | None
    deviation_deg: float | None
    standard_uncertainty_deg: float | None
    expanded_uncertainty_deg: float | None
    coverage_factor: float | None
    degrees_of_freedom: float | None
    verdict: Verdict
    conformance_probability: float | None
    guard_band_deg: float | None
    hysteresis_deg: float | None
    sweeps: tuple[SweepResult, ...]
    checks: tuple[Check, ...]
    budget: tuple[BudgetLine, ...]
    correction: Correction | None
    method: str
    analysis_version: str
    trace_sha256: str
    findings: dict[str, float | str | None] = field(default_factory=dict)

    def to_json(self) -> dict[str, object]:
        """Plain dictionaries and lists, with no number that JSON cannot hold."""
        plain = _plain(self)
        assert isinstance(plain, dict)
        return plain


def _plain(value: object) -> object:
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if is_dataclass(value) and not isinstance(value, type):
        return {key: _plain(item) for key, item in vars(value).items()}
    raise TypeError(f"{type(value).__name__} has no place in a result")
