"""Verdict after JCGM 106: is the deviation within its tolerance, given its uncertainty?

The rule, agreed beforehand: the interval deviation ± U at the coverage asked for must lie wholly inside the
tolerance to be *conforming* and wholly outside to be *nonconforming*; an interval that straddles a limit is
*undecided*. That is guarded acceptance and guarded rejection with the same guard band g = U (JCGM 106, 8.3).
The conformance probability (7.2) is p_c = F((T_U − y)/u) − F((T_L − y)/u), with F Student's for the degrees of
freedom, normal when they are infinite.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from analysis.result import Verdict

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


def conformance_probability(
    value: float, standard_uncertainty: float, low: float, high: float, degrees_of_freedom: float = math.inf
) -> float:
    """Chance that the true value lies between low and high (JCGM 106, 7.2); either limit may be infinite."""
    if standard_uncertainty <= 0.0:
        return float(low <= value <= high)
    above, below = (high - value) / standard_uncertainty, (low - value) / standard_uncertainty
    if math.isinf(degrees_of_freedom):
        return float(special.ndtr(above) - special.ndtr(below))
    return float(special.stdtr(degrees_of_freedom, above) - special.stdtr(degrees_of_freedom, below))


def decide(
    reference_deg: float, target_deg: float, tolerance_deg: float, *, standard_uncertainty_deg: float,
    expanded_uncertainty_deg: float, degrees_of_freedom: float = math.inf,
) -> Decision:
    """Compare a reference angle with its target; all angles in crank degrees."""
    deviation = nearest_turn(reference_deg - target_deg)
    guard = expanded_uncertainty_deg
    if abs(deviation) + guard <= tolerance_deg:
        verdict: Verdict = "conforming"
    elif abs(deviation) - guard > tolerance_deg:
        verdict = "nonconforming"
    else:
        verdict = "undecided"
    chance = conformance_probability(
        deviation, standard_uncertainty_deg, -tolerance_deg, tolerance_deg, degrees_of_freedom
    )
    return Decision(verdict, deviation, guard, chance)
