"""Rows of a recording that hold nothing new, or half of something new.

A recorder may write a row twice, or write the encoder beside every value of the probe although it asks it for every
fifth only. The first is told by rows that repeat stamp, encoder and lift; the second by a column that changes at every
k-th row and at no other. The rows between pair a fresh value with a stale one: those remain where the column was asked
anew.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.quantiles import median

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

MOSTLY = 0.9              # a share of the repeated stamps whose rows repeat in full: they are copies
REGULAR = 0.98            # a share of the changes that are a multiple of k rows after the one before
FEWEST = 100              # changes
LOOKED_AT = 100_000       # rows, of a long recording, before all are looked at
FEWEST_STEPS = 3.0        # of the encoder from one asking to the next: less may be its lines, passed at an even pace
FINEST_DEG = 1e-4         # steps of an encoder are taken for multiples of this


def fresh(time_s: Floats, angle_deg: Floats, lift: Floats) -> Flags | None:
    """Which rows to keep, shape (n,); None for all of them.

    Parameters
    ----------
    time_s, angle_deg, lift : ndarray, shape (n,)
        Seconds; the angle as the encoder counts it, degrees; the lift in any unit.
    """
    keep = _originals(time_s, angle_deg, lift)
    rows = np.arange(len(time_s)) if keep is None else np.flatnonzero(keep)
    asked = _asked(angle_deg[rows], is_encoder=True)
    if asked is None:
        asked = _asked(lift[rows], is_encoder=False)
    if asked is None:
        return keep
    flags = np.zeros(len(time_s), dtype=bool)
    flags[rows[asked]] = True
    return flags


def _originals(time_s: Floats, angle_deg: Floats, lift: Floats) -> Flags | None:
    """Rows that are not a copy of the one before; None where there are no copies."""
    again = time_s[1:] == time_s[:-1]
    repeated = np.count_nonzero(again)
    if repeated == 0:
        return None
    copies = again & (np.diff(angle_deg) == 0.0) & (np.diff(lift) == 0.0)
    if int(copies.sum()) < MOSTLY * repeated:
        return None
    return np.concatenate([[True], ~copies])


def _asked(values: Floats, *, is_encoder: bool) -> Flags | None:
    """Where a column was asked anew, shape (n,); None where that is at every row, or at no regular number of rows."""
    if len(values) > 2 * LOOKED_AT and _asked(values[:LOOKED_AT], is_encoder=is_encoder) is None:
        return None
    moved = np.diff(values)
    changes = np.flatnonzero(moved)
    if len(changes) < FEWEST or len(changes) > 0.6 * len(moved):
        return None
    gaps = np.diff(changes)
    every = round(median(gaps.astype(float)))
    if every < 2 or float(np.mean(gaps % every == 0)) < REGULAR:
        return None
    if is_encoder:
        sizes = np.rint(np.abs(moved[changes]) / FINEST_DEG)
        if median(sizes) < FEWEST_STEPS * float(np.gcd.reduce(sizes.astype(np.int64))):
            return None
    return np.concatenate([[False], moved != 0.0])
