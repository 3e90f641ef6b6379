"""Cut a trace into sweeps: monotonic passes of the probe over the crest.

The turning points come from the encoder alone, with a dead band so that a line that chatters during a stall or
a small roll-back does not end a sweep. A pass that goes round more than once is cut between crests, at half a
period of the datum from the nearest crest.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.quantiles import quantile

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DEAD_BAND_PART = 0.03     # of the whole travel; shop roll-back is far below, a partial sweep far above
LEAST_VALLEY, VALLEY_POINTS = 0.02, 8     # of a period, and points low in it: between two crests there are more
MOST_SKIPPED, SKIPPED = 12.0, 0.75        # a usual spacing is that of at most so many lines; one line is clearly less
ALIKE, FEWEST_ALIKE, WHOLE = 0.05, 3, 0.995     # spacings of one line: by what part they differ; so many are seen; of
                          # all spacings this part are whole numbers of lines
LOOK_POINTS = 50_000      # turning points are looked for on this many samples at most


@dataclass(frozen=True)
class Sweep:
    """Samples start to stop (half open) of the trace; sense is +1 forward, -1 reverse."""

    start: int
    stop: int
    sense: int

    @property
    def direction(self) -> Literal["forward", "reverse"]:
        return "forward" if self.sense > 0 else "reverse"


def encoder_step(angle_deg: Floats) -> float:
    """The encoder's step in crank degrees: the smallest spacing that the readings have in common.

    Taken from the spacing of distinct readings; 0 when the encoder never moves. Where a drive in step with the samples
    passes several lines from each to the next, the few readings at which it starts and stops still show one. Where two
    readings happen to lie several lines apart everywhere, the true step is smaller and this is its upper bound.
    """
    # sorted as the runs that the sweeps are, which a stable sort only has to merge
    values = np.sort(np.round(angle_deg[:: max(1, len(angle_deg) // LOOK_POINTS)], 7), kind="stable")
    gaps = np.diff(values)
    gaps = gaps[gaps > 1e-6]
    if not len(gaps):
        return 0.0
    usual, least = quantile(gaps, 0.02), float(gaps.min())
    if not usual / MOST_SKIPPED < least < SKIPPED * usual:
        return usual
    alike = gaps[gaps <= (1.0 + ALIKE) * least]
    step = float(alike.mean())
    lines = gaps / step
    common = len(alike) >= FEWEST_ALIKE and float(np.mean(np.abs(lines - np.round(lines)) < ALIKE)) >= WHOLE
    return step if common else usual


def cut(angle_deg: Floats, step_deg: float | None = None) -> list[Sweep]:
    """Sweeps of a cumulative angle, in order of time; an encoder that does not move has none.

    Parameters
    ----------
    angle_deg : ndarray, shape (n,)
        Crank degrees, cumulative.
    step_deg : float, optional
        The encoder's step where it is known already.
    """
    travel = float(np.ptp(angle_deg)) if len(angle_deg) else 0.0
    if travel <= 0.0:
        return []
    stride = max(1, len(angle_deg) // LOOK_POINTS)
    looked = angle_deg[::stride]
    dead = max(DEAD_BAND_PART * travel, 3.0 * (encoder_step(angle_deg) if step_deg is None else step_deg))
    turns = _turning_points(looked, dead)
    edges = [0, *(min(turn * stride, len(angle_deg)) for turn in turns), len(angle_deg)]
    sweeps = []
    for start, stop in pairwise(edges):
        moved = float(angle_deg[stop - 1] - angle_deg[start]) if stop > start else 0.0
        if abs(moved) >= dead:
            sweeps.append(Sweep(start, stop, 1 if moved > 0 else -1))
    return sweeps


def _turning_points(angle_deg: Floats, dead_deg: float) -> list[int]:
    """Indices of the extremes between which the angle moves by more than the dead band."""
    moving = np.flatnonzero(np.diff(angle_deg) != 0.0)
    if len(moving) == 0:
        return []
    sense = np.sign(angle_deg[moving + 1] - angle_deg[moving])
    corners = moving[np.flatnonzero(np.diff(sense) != 0.0) + 1]
    turns: list[int] = []
    heading, best, at = 0, float(angle_deg[0]), 0
    for corner in [*corners.tolist(), len(angle_deg) - 1]:
        value = float(angle_deg[corner])
        if heading == 0:
            if abs(value - best) > dead_deg:
                heading, best, at = (1 if value > best else -1), value, corner
        elif (value - best) * heading >= 0.0:
            best, at = value, corner
        elif abs(value - best) > dead_deg:
            turns.append(at)
            heading, best, at = -heading, value, corner
    return turns


def cut_between_crests(sweeps: list[Sweep], angle_deg: Floats, crest_deg: float, period_deg: float) -> list[Sweep]:
    """Cut passes of more than one crest at half a period from the crests."""
    out: list[Sweep] = []
    for sweep in sweeps:
        part = angle_deg[sweep.start:sweep.stop]
        turn = np.round((part - crest_deg) / period_deg)
        if np.ptp(part) <= 0.75 * period_deg:
            out.append(sweep)
            continue
        edges = [0, *(np.flatnonzero(np.diff(turn) != 0.0) + 1).tolist(), len(part)]
        out += [Sweep(sweep.start + a, sweep.start + b, sweep.sense)
                for a, b in pairwise(edges) if b - a > 1]
    return out


def several_crests(high_deg: Floats, low_deg: Floats, period_deg: float) -> bool:
    """Whether a period has more than one crest.

    Parameters
    ----------
    high_deg, low_deg : ndarray, shape (n,) and (m,)
        Angles of points high and low in the lift, crank degrees: a valley is a gap in the high ones with low
        ones in it.
    """
    high, low = np.sort(high_deg % period_deg), np.sort(low_deg % period_deg)
    if not len(high):
        return False
    gaps = np.diff(high, append=high[0] + period_deg)
    wide = np.flatnonzero(gaps > LEAST_VALLEY * period_deg)
    low = np.concatenate([low, low + period_deg])      # the last gap goes over the end of the period
    between = np.searchsorted(low, high[wide] + gaps[wide]) - np.searchsorted(low, high[wide], side="right")
    return int((between >= VALLEY_POINTS).sum()) > 1
