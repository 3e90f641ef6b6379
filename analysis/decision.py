"""Verdict after JCGM 106: is the deviation within its tolerance, given its uncertainty?

The rule, agreed beforehand: the interval deviation ± U at the coverage asked for must lie wholly inside the
tolerance to be *conforming* and wholly outside to be *nonconforming*; an interval that straddles a limit is
*undecided*. That is guarded acceptance and guarded rejection with the same guard band g = U (JCGM 106, 8.3).
The conformance probability (7.2) is p_c = F((T_U − y)/u) − F((T_L − y)/u), with F Student's for the degrees of
freedom, normal when they are infinite, or the mixture that the errors follow (`uncertainty.Combined.chance_between`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.result import Verdict
from analysis.uncertainty import Combined

FULL_TURN_DEG = 360.0


@dataclass(frozen=True)
class Decision:
    """The verdict with the figures that make it."""

    verdict: Verdict
    deviation_deg: float
    guard_band_deg: float
    conformance_probability: float


def nearest_turn(angle_deg: float) -> float:
    """The same direction within half a turn either side of nothing."""
    return math.remainder(angle_deg, FULL_TURN_DEG)


def decide(reference_deg: float, target_deg: float, tolerance_deg: float, uncertainty: Combined) -> Decision:
    """Compare a reference angle with its target; all angles in crank degrees."""
    deviation = nearest_turn(reference_deg - target_deg)
    guard = uncertainty.expanded
    if abs(deviation) + guard <= tolerance_deg:
        verdict: Verdict = "conforming"
    elif abs(deviation) - guard > tolerance_deg:
        verdict = "nonconforming"
    else:
        verdict = "undecided"
    chance = uncertainty.chance_between(-tolerance_deg - deviation, tolerance_deg - deviation)
    return Decision(verdict, deviation, guard, chance)
