"""Hand readings: equal dial readings either side of the crest, where there is no encoder and no recorder.

The technician bars to a dial reading short of the crest, notes the angle on the pointer, goes on past the crest
until the dial shows the same again and notes that angle; at several heights, in both senses. Each pair
(before, after) at one height has its middle at the crest. Pairs of one sense scatter by reading; the senses differ
by the backlash, so the crest is the middle of the two means:

    c = (mean_F + mean_R)/2,    u² = (s_F²/n_F + s_R²/n_R)/4 + q²/24N + q²/12 + …

with the scatter s pooled over the senses (n_F + n_R − 2 degrees of freedom), N pairs in all, and q the division of
the scale: once as the rounding of every reading, once as an error that all readings on the scale share. A crest read
in one sense only is the crest of that sense. Where the datum is not symmetric, the middle of the chord at a depth d
below the crest stands off the crest by (u₁ + u₂)/2, u₁ < 0 < u₂ the two places where the datum has dropped by d;
that is taken off, and the dial reading at the crest must be known for it.

The document (JSON, `python -m analysis hand FILE.json --spec SPEC.json`; unknown keys are kept and ignored):

    {"hand_readings": 1, "angle_step_deg": 0.5, "crest_dial_mm": 12.31,
     "pairs": [{"sense": "forward", "dial_mm": 5.0, "before_deg": 140.1, "after_deg": 160.2}, …]}

hand_readings      1, the form of this document
angle_step_deg     smallest division of the pointer's scale that was read, its own degrees, more than 0
pointer_per_crank  degrees of the pointer's scale for one crank degree (1 when absent)
crest_dial_mm      dial reading at the crest, the highest there is; may be absent for a symmetric lobe
pairs              one object a pair
  sense            forward or reverse
  dial_mm          the dial on both sides of the crest, more as the crest pushes the probe in
  before_deg       the pointer before the crest in that sense, its own degrees
  after_deg        the pointer after it; the scale runs on or starts again at 360, the two less than half a turn apart

The pointer's scale stands in the encoder's place: the target of the spec is stated on it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize

from analysis.errors import SpecRefused
from analysis.reference.pairs import LEAST_PAIRS, HandPair
from analysis.reference.shapes import Known
from analysis.uncertainty import Combined, Source, combine, resolution

Floats = npt.NDArray[np.float64]
REACH_DEG = 179.0         # how far from the crest a datum is searched for the depth of a chord


@dataclass(frozen=True)
class HandResult:
    """Crest in crank degrees with its uncertainty; hysteresis is None with one sense only.

    `middles_deg` are the crests of the single pairs, in their order; `means_deg` those of the senses that were read.
    """

    crest_deg: float
    uncertainty: Combined
    hysteresis_deg: float | None
    scatter_deg: float
    sources: tuple[Source, ...]
    middles_deg: tuple[float, ...] = ()
    means_deg: dict[int, float] | None = None


def chord(shape: Known, depth_mm: float) -> tuple[float, float] | None:
    """Where a datum has dropped by `depth_mm` before and after its crest: crank degrees from it, or None if nowhere."""
    def dropped(u_deg: float) -> float:
        return float(shape.lift(np.array([0.0, u_deg])) @ np.array([-1.0, 1.0])) + depth_mm

    ends = []
    for side in (-1.0, 1.0):
        grid = side * np.linspace(0.0, REACH_DEG, 717)
        below = np.flatnonzero(shape.lift(grid) - shape.lift(np.zeros(1)) + depth_mm < 0.0)
        if depth_mm <= 0.0 or not len(below) or below[0] == 0:
            return None
        ends.append(float(optimize.brentq(dropped, grid[below[0] - 1], grid[below[0]], xtol=1e-9)))
    return ends[0], ends[1]


def bisect_by_hand(
    pairs: Sequence[HandPair], *, angle_step_deg: float = 0.0, u_geometry_deg: float = 0.0, u_lash_deg: float = 0.0,
    coverage: float = 0.95, stand_off_deg: Sequence[float] | None = None, u_stand_off_deg: float = 0.0,
) -> HandResult:
    """Crest from hand readings.

    Parameters
    ----------
    pairs : sequence of HandPair
        At least two in each sense that was read.
    angle_step_deg : float
        Division of the angle scale, crank degrees.
    u_geometry_deg, u_lash_deg : float
        Standard uncertainties known beforehand; the lash counts with one sense only.
    stand_off_deg : sequence of float, optional
        How far the middle of each chord stands off the crest of an asymmetric datum, taken off here.
    u_stand_off_deg : float
        Standard uncertainty of that, common to all pairs.

    Raises
    ------
    SpecRefused
        When there are too few pairs, or a pair does not enclose the crest.
    """
    for pair in pairs:
        if pair.sense not in (1, -1):
            raise SpecRefused("The sense of a hand reading is +1 (forward) or -1 (reverse).", "sense")
        if not pair.follows_sense:
            raise SpecRefused(f"The readings {pair.before_deg:g} and {pair.after_deg:g} do not follow the sense.",
                              "after_deg")
    middles = _middles(pairs, stand_off_deg)
    senses = np.array([pair.sense for pair in pairs])
    read = {sense: middles[senses == sense] for sense in (1, -1) if (senses == sense).any()}
    if not read or any(len(values) < LEAST_PAIRS for values in read.values()):
        raise SpecRefused("Hand readings need at least two pairs in each sense that is read.", "pairs")
    freedom = sum(len(values) - 1 for values in read.values())
    scatter = math.sqrt(sum(float(((v - v.mean()) ** 2).sum()) for v in read.values()) / freedom)
    repeat = scatter / len(read) * math.sqrt(sum(1.0 / len(values) for values in read.values()))
    step = resolution(angle_step_deg)
    sources = (
        Source("scatter of the pairs", "A", repeat, freedom),
        Source("resolution of the angle scale", "B", step / math.sqrt(2 * len(pairs))),
        Source("error of the angle scale, one division wide", "B", step),
        Source("datum geometry", "B", u_geometry_deg),
        Source("dial, through the asymmetry of the datum", "B", u_stand_off_deg),
        Source("lash, one sense only", "B", u_lash_deg if len(read) == 1 else 0.0),
    )
    means = {sense: float(values.mean()) for sense, values in read.items()}
    hysteresis = means[1] - means[-1] if len(means) == 2 else None
    crest = math.fsum(means.values()) / len(means)
    return HandResult(crest, combine(sources, coverage), hysteresis, scatter, sources,
                      tuple(middles.tolist()), means)


def _middles(pairs: Sequence[HandPair], stand_off_deg: Sequence[float] | None) -> Floats:
    """The crest by each pair, all in the turn of the first."""
    middles = np.array([pair.middle_deg for pair in pairs], dtype=np.float64)
    if stand_off_deg is not None:
        middles = middles - np.array(stand_off_deg, dtype=np.float64)
    return middles if not len(middles) else middles - 360.0 * np.round((middles - middles[0]) / 360.0)
