"""Hand readings: equal dial readings either side of the crest, where there is no encoder and no recorder.

The technician bars to a dial reading short of the crest, notes the angle on the ring or pointer, goes on past the
crest until the dial shows the same again and notes that angle; at several heights, in both senses. Each pair
(left, right) at one height has its middle at the crest. Pairs of one sense scatter by reading; the senses differ by
the backlash, so the crest is the middle of the two means:

    c = (mean_F + mean_R)/2,    u² = (s_F²/n_F + s_R²/n_R)/4 + q²/24/n̄ + …

with the scatter s pooled over the senses (n_F + n_R − 2 degrees of freedom, less one when the drift with height is
fitted out). A crest read in one sense only is the crest of that sense.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.errors import SpecRefused
from analysis.uncertainty import Combined, Source, combine, resolution

LEAST_PAIRS = 2


@dataclass(frozen=True)
class HandPair:
    """One pair: dial reading in millimetres, angle before and after the crest in crank degrees, sense +1 or -1."""

    dial_mm: float
    before_deg: float
    after_deg: float
    sense: int


@dataclass(frozen=True)
class HandResult:
    """Crest in crank degrees with its uncertainty; hysteresis is None with one sense only."""

    crest_deg: float
    uncertainty: Combined
    hysteresis_deg: float | None
    scatter_deg: float
    sources: tuple[Source, ...]


def bisect_by_hand(
    pairs: Sequence[HandPair], *, angle_step_deg: float = 0.0, u_geometry_deg: float = 0.0, u_lash_deg: float = 0.0,
    coverage: float = 0.95,
) -> HandResult:
    """Crest from hand readings.

    Parameters
    ----------
    pairs : sequence of HandPair
        At least two in each sense that was read.
    angle_step_deg : float
        Resolution of the angle scale, crank degrees.
    u_geometry_deg, u_lash_deg : float
        Standard uncertainties known beforehand; the lash counts with one sense only.

    Raises
    ------
    SpecRefused
        When there are too few pairs, or a pair does not enclose the crest.
    """
    middles = {sense: np.array([(p.before_deg + p.after_deg) / 2.0 for p in pairs if p.sense == sense])
               for sense in (1, -1)}
    for pair in pairs:
        if pair.sense not in (1, -1):
            raise SpecRefused("The sense of a hand reading is +1 (forward) or -1 (reverse).", "sense")
        if (pair.after_deg - pair.before_deg) * pair.sense <= 0.0:
            raise SpecRefused(f"The readings {pair.before_deg:g} and {pair.after_deg:g} do not follow the sense.",
                              "after_deg")
    read = {sense: values for sense, values in middles.items() if len(values)}
    if not read or any(len(values) < LEAST_PAIRS for values in read.values()):
        raise SpecRefused("Hand readings need at least two pairs in each sense that is read.", "pairs")
    freedom = sum(len(values) - 1 for values in read.values())
    scatter = math.sqrt(sum(float(((v - v.mean()) ** 2).sum()) for v in read.values()) / freedom)
    share = 1.0 / len(read)
    repeat = scatter * share * math.sqrt(sum(1.0 / len(values) for values in read.values()))
    readings = 2 * sum(len(values) for values in read.values())
    sources = (
        Source("scatter of the pairs", "A", repeat, freedom),
        Source("resolution of the angle scale", "B", resolution(angle_step_deg) / math.sqrt(readings)),
        Source("datum geometry", "B", u_geometry_deg),
        Source("lash, one sense only", "B", u_lash_deg if len(read) == 1 else 0.0),
    )
    hysteresis = float(middles[1].mean() - middles[-1].mean()) if len(read) == 2 else None
    crest = float(np.mean([values.mean() for values in read.values()]))
    return HandResult(crest, combine(sources, coverage), hysteresis, scatter, sources)
