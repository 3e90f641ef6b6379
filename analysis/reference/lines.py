"""What the encoder's lines do to the readings: made again from the shaft's path, with the lines at other places.

A path that follows the readings closely has bent to the lines where they are: on it, lines elsewhere all err alike.
So the readings can be made again from a stiffer path as well, which averages over the beat. Where it averages over
changes of the shaft's speed too, it breaks beats that are there: then the readings stand off it by more than their
lines explain, and a less stiff one is taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.quantiles import median, quantiles
from analysis.reference.path import Path, trace_path

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PLACES = 7                # of the lines, parts of a line apart; no multiple of the rows in which few lines are passed
LEAST_LINES, LEAST_LINES_EVENLY = 0.75, 0.1        # from sample to sample
PACE_STRIDE = 8           # samples: how evenly the shaft turns needs no more
EVENLY = 0.01             # a part of the speed, by which it differs for most of the sweep
STIFF_BINS_S = (0.4, 0.2)
MOST_LEFT = 0.3           # of a step, median: readings at their nearest line leave a quarter


@dataclass(frozen=True)
class Readings:
    """The readings of one sweep, shape (n,), and its path; the first reading of each point, and their weights in it."""

    time_s: Floats
    angle_deg: Floats
    path: Path | None
    first: Ints
    weight: Floats

    def mean(self, values: Floats) -> Floats:
        """Values of the readings, shape (n,), averaged over the points, shape (points,)."""
        return np.asarray(np.add.reduceat(values * self.weight, self.first))

    def errors(self, step_deg: float, stiff: bool) -> Floats:
        """Errors of the points, shape (PLACES, points), crank degrees."""
        path = self._stiffest(step_deg) if stiff else self.path
        if path is None or step_deg <= 0.0:
            return np.zeros((PLACES, len(self.first)))
        lines = path(self.time_s) / step_deg + np.arange(PLACES)[:, None] / PLACES
        # with less than a line from sample to sample each line's own place is seen, and the path follows it, but where
        # the shaft turns so evenly that each line, or each second or third, is passed at the same moment of a sample
        each = np.abs(np.diff(lines[0], append=lines[0, -1]))
        slow, usual, quick = quantiles(np.abs(path.speed(self.time_s[::PACE_STRIDE])), 0.2, 0.5, 0.8)
        passed = each > (LEAST_LINES if quick - slow > EVENLY * usual else LEAST_LINES_EVENLY)
        away = np.rint(lines)
        away -= lines
        away *= step_deg * passed * self.weight
        return np.asarray(np.add.reduceat(away, self.first, axis=1))

    def _stiffest(self, step_deg: float) -> Path | None:
        """The stiffest path that leaves no more of the readings than their lines do; the very stiffest if none is."""
        tried = [trace_path(self.time_s, self.angle_deg, bin_s=bin_s) for bin_s in STIFF_BINS_S]
        paths = [path for path in tried if path is not None]
        left = (median(np.abs(self.angle_deg - path(self.time_s))) for path in paths)
        good = (path for path, most in zip(paths, left, strict=True) if most < MOST_LEFT * step_deg)
        return next(good, paths[0] if paths else self.path)


class Lines:
    """Lines `step_deg` apart (0: none that are known of), and the readings of all sweeps."""

    def __init__(self, step_deg: float, sweeps: list[Readings]) -> None:
        self.step_deg, self._sweeps = step_deg, sweeps
        self._known: dict[bool, Floats] = {}

    def errors(self, *, stiff: bool = False) -> Floats:
        """What the lines add to each point's angle, at PLACES places; shape (PLACES, n), crank degrees."""
        if stiff not in self._known:
            self._known[stiff] = np.hstack([one.errors(self.step_deg, stiff) for one in self._sweeps])
        return self._known[stiff]
