"""Does the as-left result agree with the as-found one and the correction that was applied?

    expected = as-found reference + sum of the shifts of the index ring since then, in crank degrees
    E = |as-left − expected| / √(U_found² + U_left² + Σ (k · u_shift)²),   agreement when E ≤ 1

E is the E_n number of ISO 13528 (9.7) with the uncertainty of each shift added: it is a reading, so half of
its last digit either way, rectangular (JCGM 100, 4.3.7 and F.2.2.1). All angles are crank degrees; a shift
is that of the index ring along its rim or about its centre, positive in the sense of normal rotation, as the
`correction` of the result contract states it: an advance raises the reference by as much. Both traces share
encoder, lobe and probe, so part of U cancels in the difference: the criterion is wider than a full account
of the correlation would make it.

Forward and reverse of the as-left trace must agree within the engine type's limit as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

# Kinds of findings; the pure rule does not import the models.
VERDICT, AGREEMENT = "verdict", "agreement"
COVERAGE_FACTOR = 2.0


@dataclass(frozen=True)
class Measured:
    """What of an analysis counts here."""

    verdict: str
    reference_deg: float | None
    deviation_deg: float | None
    expanded_uncertainty_deg: float | None
    hysteresis_deg: float | None = None


@dataclass(frozen=True)
class Shift:
    """How far the index ring was shifted, as read, with the step of its last digit; `unit` is mm or deg."""

    value: float
    resolution: float
    unit: str

    @classmethod
    def read(cls, value: Decimal, unit: str, *, digits: int | None = None) -> Shift:
        """From a stored reading; `digits` are the decimals that were typed, when known."""
        places = digits if digits is not None else max(0, -int(value.normalize().as_tuple().exponent))
        return cls(float(value), 10.0**-places, unit)


@dataclass(frozen=True)
class Agreement:
    """Expected against found, with the number that decides."""

    expected_deg: float
    difference_deg: float
    joint_expanded_deg: float

    @property
    def number(self) -> float:
        """E; infinite when nothing is uncertain and something differs."""
        if self.joint_expanded_deg == 0:
            return math.inf if self.difference_deg else 0.0
        return abs(self.difference_deg) / self.joint_expanded_deg

    @property
    def holds(self) -> bool:
        return self.number <= 1.0


def change_deg(
    found: Measured, shifts: Sequence[Shift] | None, spec: Mapping[str, Any], *, set_left_out: bool
) -> float:
    """By how much the reference should have moved, crank degrees: the sum of the shifts made since as-found.

    Where no shift is ever read (None) the stated correction counts as applied in full; when the setting was
    left out, or none was made since (an empty sequence), nothing moved.
    """
    if set_left_out:
        return 0.0
    if shifts is None:
        return -(found.deviation_deg or 0.0)
    return math.fsum(_in_crank_degrees(shift.value, shift.unit, spec) for shift in shifts)


def compare(
    found: Measured,
    left: Measured,
    *,
    shifts: Sequence[Shift] | None,
    spec: Mapping[str, Any],
    set_left_out: bool,
) -> Agreement | None:
    """Compare two results; None when either has no angle, which the verdicts tell already."""
    if found.reference_deg is None or left.reference_deg is None:
        return None
    expected = found.reference_deg + change_deg(found, shifts, spec, set_left_out=set_left_out)
    parts = [found.expanded_uncertainty_deg or 0.0, left.expanded_uncertainty_deg or 0.0]
    for shift in [] if set_left_out else shifts or []:
        half_digit = abs(_in_crank_degrees(shift.resolution, shift.unit, spec)) / 2
        parts.append(COVERAGE_FACTOR * half_digit / math.sqrt(3))
    difference = math.remainder(left.reference_deg - expected, 360.0)
    return Agreement(expected, difference, math.hypot(*parts))


def problems(
    left: Measured, *, hysteresis_limit_deg: float, agreement: Agreement | None
) -> tuple[tuple[str, str], ...]:
    """Every way in which an as-left result falls short: the kind of finding it makes, and the sentence."""
    found = []
    if left.verdict != "conforming":
        said = left.verdict.replace("-", " ")
        found.append((VERDICT, f"The as-left verdict is {said}, not conforming."))
    if left.hysteresis_deg is not None and abs(left.hysteresis_deg) > hysteresis_limit_deg:
        sentence = (
            f"Forward and reverse differ by {abs(left.hysteresis_deg):.3f}°, more than the "
            f"{hysteresis_limit_deg:g}° that the engine type permits."
        )
        found.append((VERDICT, sentence))
    if agreement is not None and not agreement.holds:
        sentence = (
            f"As-left is {abs(agreement.difference_deg):.3f}° off what as-found and the applied correction "
            f"lead to; their joint uncertainty explains {agreement.joint_expanded_deg:.3f}° of it."
        )
        found.append((AGREEMENT, sentence))
    return tuple(found)


def _in_crank_degrees(shift: float, unit: str, spec: Mapping[str, Any]) -> float:
    """A shift of the ring as crank degrees; raises ValueError for millimetres on a ring of unknown radius."""
    per_crank = float(spec.get("index_per_crank") or 1.0)
    if unit == "deg":
        return shift / per_crank
    radius = spec.get("index_radius_mm")
    if unit != "mm" or not radius:
        raise ValueError(f"a ring shift in {unit} has no angle: the timing spec gives no radius")
    return math.degrees(shift / float(radius)) / per_crank
