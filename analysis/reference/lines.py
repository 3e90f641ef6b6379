"""What the encoder's lines do to the readings: made again from the shaft's path, with the lines at other places.

A path that follows the readings closely has bent to the lines where they are: on it, lines elsewhere all err alike.
So the readings can be made again from a stiffer path as well, which averages over the beat, but also over the quick
changes of the shaft's speed that break a beat. Either errs to the side of too much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.reference.path import Path, trace_path

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PLACES = 4                # of the lines, parts of a line apart
LEAST_LINES = 0.75        # from sample to sample
STIFF_BIN_S = 0.4


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
        path = trace_path(self.time_s, self.angle_deg, bin_s=STIFF_BIN_S) if stiff else self.path
        if path is None or step_deg <= 0.0:
            return np.zeros((PLACES, len(self.first)))
        lines = path(self.time_s) / step_deg + np.arange(PLACES)[:, None] / PLACES
        # with less than a line from sample to sample each line's own place is seen, and the path follows it
        passed = np.abs(np.diff(lines[0], append=lines[0, -1])) > LEAST_LINES
        away = (np.round(lines) - lines) * (step_deg * passed * self.weight)
        return np.asarray(np.add.reduceat(away, self.first, axis=1))


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
