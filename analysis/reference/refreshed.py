"""Rows of a recording that hold nothing new, or half of something new.

A recorder may write a row twice, or write the encoder beside every value of the probe although it asks it for every
fifth only. The first is told by rows that repeat encoder and lift within one time stamp, where rows of different stamps
do not; the second by a column that changes at every k-th row and at no other. The rows between pair a fresh value with
a stale one: those remain where the column was asked anew. Where both were, each in its turn, the rows of the probe
remain, and the encoder's readings are taken on the straight line between the two that it gave before and after.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.quantiles import median

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

TIMES_MORE = 10.0         # than rows of different stamps do: rows that repeat so often within one are copies
FEWEST_COPIES = 5
REGULAR = 0.98            # a share of the changes that are a multiple of k rows after the one before
FEWEST = 25               # changes
LOOKED_AT = 100_000       # rows, of a long recording, before all are looked at
ALIKE, WRITTEN_DEG = 0.003, 2e-5      # steps of the encoder that differ by this part, or by what is written, are alike


def originals(time_s: Floats, angle_deg: Floats, lift: Floats) -> Flags | None:
    """Rows that are not a copy of the one before; None where there are no copies. All of shape (n,)."""
    within = time_s[1:] == time_s[:-1]
    inside = np.count_nonzero(within)
    if inside == 0:
        return None
    same = (angle_deg[1:] == angle_deg[:-1]) & (lift[1:] == lift[:-1])
    copies = within & same
    count, outside = np.count_nonzero(copies), len(same) - inside
    by_chance = (np.count_nonzero(same) - count + 1) / (outside + 1) * inside
    if count < FEWEST_COPIES or (count < TIMES_MORE * by_chance and count < inside):
        return None
    return np.concatenate([[True], ~copies])


def asked(time_s: Floats, angle_deg: Floats, lift: Floats) -> tuple[npt.NDArray[np.int64], Floats] | None:
    """The rows to keep and the angle at each; None where both columns were asked at every row.

    Parameters
    ----------
    time_s, angle_deg, lift : ndarray, shape (n,)
        When the rows were taken, seconds; crank degrees; the lift in any unit.
    """
    turned, lifted = _anew(angle_deg, is_encoder=True), _anew(lift, is_encoder=False)
    if turned is None or lifted is None:
        one = lifted if turned is None else turned
        if one is None:
            return None
        rows = np.flatnonzero(one)
        return rows, angle_deg[rows]
    known, rows = np.flatnonzero(turned), np.flatnonzero(lifted)
    rows = rows[(rows >= known[0]) & (rows <= known[-1])]
    return rows, np.interp(time_s[rows], time_s[known], angle_deg[known])


def _anew(values: Floats, *, is_encoder: bool) -> Flags | None:
    """Where a column was asked anew, shape (n,); None where that is at every row, or at no regular number of rows."""
    if len(values) > 2 * LOOKED_AT and _anew(values[:LOOKED_AT], is_encoder=is_encoder) is None:
        return None
    moved = np.diff(values)
    changes = np.flatnonzero(moved) + 1
    if len(changes) < FEWEST or len(changes) > 0.6 * len(moved):
        return None
    gaps = np.diff(changes)
    every = round(median(gaps.astype(float)))
    if every < 2 or float(np.mean(gaps % every == 0)) < REGULAR:
        return None
    found = np.zeros(len(values), dtype=bool)
    if is_encoder:
        # read at every row it would pass one line at a time, here and there at an even pace
        sizes = np.abs(moved[changes - 1])
        usual = median(sizes)
        if float(np.mean(np.abs(sizes - usual) <= max(ALIKE * usual, WRITTEN_DEG))) > REGULAR:
            return None
        found[changes] = True
        return found
    # a probe that is asked may give the value that it gave before: the converter's step is not passed each time
    row = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isin(row, changes), row, -1))
    return np.asarray((last >= 0) & ((row - last) % every == 0))
