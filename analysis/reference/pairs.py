"""One pair of hand readings: equal dial readings either side of a crest. It needs no numpy."""

from __future__ import annotations

import math
from dataclasses import dataclass

LEAST_PAIRS = 2  # in a sense: one alone says nothing of its scatter


@dataclass(frozen=True)
class HandPair:
    """One pair: dial reading in millimetres, angle before and after the crest in crank degrees, sense +1 or -1."""

    dial_mm: float
    before_deg: float
    after_deg: float
    sense: int

    @property
    def travel_deg(self) -> float:
        """From before to after, the short way round on a scale that starts again at 360; positive forward."""
        plain = self.after_deg - self.before_deg
        return plain if abs(plain) < 180.0 else math.remainder(plain, 360.0)

    @property
    def follows_sense(self) -> bool:
        return self.travel_deg * self.sense > 0.0

    @property
    def middle_deg(self) -> float:
        return self.before_deg + self.travel_deg / 2.0
