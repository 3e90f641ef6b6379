"""Rows that were written because the encoder moved on by a line: each is taken where that line is passed.

Such a recorder writes no row while the reading stays. What it writes is no reading at the nearest line at some moment,
which may be off by half a line either way: the shaft stands half a line short of the new reading, in the sense it is
turning. Taken for that, lines of whole degrees leave nothing to be averaged over; taken for readings at the nearest
line, they all err alike, as those do that are passed in step with the samples.

Sampled evenly at an even speed a recording looks the same, where the shaft happens to turn by a line from sample to
sample: it is told by intervals that do not follow the speed.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from analysis.quantiles import quantiles

Floats = npt.NDArray[np.float64]

SINGLE, WHOLE, MOST_LINES = 0.75, 0.99, 3      # of the rows: one line further, and one to three (a row was lost)
FEWEST = 40               # rows
SPAN = 9                  # rows, over which the interval is averaged
UNEVEN = 1.04             # nine tenths over one tenth of the intervals: more than an even clock makes of its jitter
ALIKE, WRITTEN_DEG = 0.02, 2e-5       # steps that differ by this part, or by what is written, are alike


def where_passed(time_s: Floats, angle_deg: Floats, step_deg: float) -> Floats | None:
    """The angle at each row, crank degrees; None where rows were not written for the encoder's lines.

    Parameters
    ----------
    time_s, angle_deg : ndarray, shape (n,)
        When each row was written, seconds; what the encoder showed.
    step_deg : float
        The encoder's step.
    """
    if len(angle_deg) < FEWEST or step_deg <= 0.0:
        return None
    moved = np.diff(angle_deg)
    lines = np.round(np.abs(moved) / step_deg)
    whole = (np.abs(np.abs(moved) - lines * step_deg) <= max(ALIKE * step_deg, WRITTEN_DEG)) & (lines >= 1.0)
    alone = whole & (lines == 1.0)
    if float(np.mean(alone)) < SINGLE or float(np.mean(whole & (lines <= MOST_LINES))) < WHOLE:
        return None
    sense = np.sign(moved)
    within = np.flatnonzero(alone[1:] & alone[:-1] & (sense[1:] == sense[:-1])) + 1
    if len(within) < FEWEST:
        return None
    low, high = quantiles(uniform_filter1d(np.diff(time_s)[within], SPAN), 0.1, 0.9)
    if high < UNEVEN * low:
        return None
    return angle_deg - 0.5 * step_deg * np.concatenate([sense[:1], sense])
