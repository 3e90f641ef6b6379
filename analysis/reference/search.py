"""Looking for what the model still lacks: a throw across the lash, a knock of the probe, a slip.

Both leave a structure in the residuals of a fit that has neither. Each possibility is one more column of the
linear problem; its gain is how far it would make chi square fall once everything else has been fitted again
(score test). The best of all possibilities is taken first, so that a throw is not mistaken for a knock.

A *throw*: past the crest the follower's spring drives the shaft, and when its torque exceeds the drag the shaft is
thrown across its lash; from there on the falling flank is shifted. Where that happens is not known beforehand.
The rising flanks are driven and stay, so their middle is mid-lash (metrology 10.4, 10.6).
A *knock*: from one moment on within a sweep the lift is offset.
A *slip*: from one moment on the encoder's angle is offset, as when its coupling has slipped.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.reference.fit import Fit, Shift
from analysis.reference.points import Points

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

THROW_PRIOR_DEG = 0.5
THROW_PARTS = (0.0, 0.04, 0.08, 0.12, 0.17, 0.22, 0.28, 0.35, 0.42, 0.5, 0.6, 0.7)   # of the reach past the crest
KNOCK_PLACES = 40
SLIP_PLACES = 6            # within a sweep, beside the turning points
LEAST_SLIP_DEG = 0.2
LEAST_GAIN = 60.0          # of chi square, before either is believed
KNOCK_GAIN = 120.0
KNOCK_NOISE = 1.5          # a knock smaller than this many standard deviations of a point is left to the noise


@dataclass(frozen=True)
class Finding:
    """A throw, a knock in a sweep, or a slip (a sentence without a sweep)."""

    gain: float
    throw: Shift | None = None
    sweep: int = -1
    sentence: str = ""
    time_s: float = 0.0


def best(points: Points, fit: Fit, use: Flags, thrown: list[str]) -> Finding | None:
    """The surest finding in the residuals of a (gentle) fit, None when there is none."""
    found = [f for f in (
        _throw(points, fit, use, thrown), _knock(points, fit, use), _slip(points, fit, use)) if f is not None]
    return max(found, key=lambda f: f.gain, default=None)


def _throw(points: Points, fit: Fit, use: Flags, thrown: list[str]) -> Finding | None:
    if "hysteresis" not in fit.shifts:
        return None
    reach = float(np.quantile(np.abs(fit.u_deg[use]), 0.98))
    names: list[str] = []
    patterns: list[Floats] = []
    for sense, name in ((1.0, "throw, forward"), (-1.0, "throw, reverse")):
        if name in thrown:
            continue
        for part in THROW_PARTS:
            names.append(name)
            patterns.append(((points.sense == sense) & (fit.u_deg * sense > part * reach)).astype(float))
    if not names:
        return None
    columns = -fit.slope[:, None] * np.column_stack(patterns)
    gains = fit.gain(columns)
    at = int(np.argmax(gains))
    if gains[at] < LEAST_GAIN:
        return None
    sense = 1.0 if names[at] == "throw, forward" else -1.0
    pattern = _placed(points, fit, sense, THROW_PARTS[at % len(THROW_PARTS)] * reach, 0.06 * reach)
    return Finding(float(gains[at]), Shift(names[at], pattern, THROW_PRIOR_DEG))


def _placed(points: Points, fit: Fit, sense: float, start_deg: float, span_deg: float) -> Floats:
    """The throw's pattern with its place refined within +-span of where the coarse search found it."""
    places = start_deg + np.linspace(-1.0, 1.0, 41) * span_deg
    places = places[places >= 0.0] if start_deg > 0.0 else np.maximum(places, 0.0)[20:]
    patterns = ((points.sense == sense)[:, None] & ((fit.u_deg * sense)[:, None] > places)).astype(float)
    gains = fit.gain(-fit.slope[:, None] * patterns)
    return np.asarray(patterns[:, int(np.argmax(gains))])


def _knock(points: Points, fit: Fit, use: Flags) -> Finding | None:
    columns: list[Floats] = []
    owners: list[tuple[int, int]] = []
    for k in np.unique(points.sweep[use]):
        at = np.flatnonzero(use & (points.sweep == k) & ~points.spiky)
        if len(at) < 40:
            continue
        for place in np.unique(np.linspace(0.04 * len(at), 0.96 * len(at), KNOCK_PLACES).astype(int)):
            column = np.zeros(len(points))
            column[at[place:]] = 1.0
            columns.append(column)
            owners.append((int(k), int(at[place])))
    if not columns:
        return None
    table = np.column_stack(columns)
    gains = fit.gain(table)
    at_best = int(np.argmax(gains))
    sweep, place = owners[at_best]
    size = _step(points, fit, use, sweep, place)
    if gains[at_best] < KNOCK_GAIN or abs(size) < KNOCK_NOISE * fit.s0:
        return None
    how = f"{size * 1e3:+.0f} µm" if points.scale == 1.0 else f"{size * points.scale:+.0f} counts"
    return Finding(float(gains[at_best]), None, sweep,
                   f"The lift steps by {how} at {points.time_s[place]:.1f} s: the probe was knocked.",
                   float(points.time_s[place]))


def _step(points: Points, fit: Fit, use: Flags, sweep: int, place: int, span: int = 40) -> float:
    """Size of the step: medians of the residuals shortly after less shortly before."""
    at = np.flatnonzero(use & (points.sweep == sweep) & ~points.spiky)
    k = int(np.searchsorted(at, place))
    before, after = fit.residual[at[max(0, k - span):k]], fit.residual[at[k:k + span]]
    return float(np.median(after) - np.median(before)) if len(before) and len(after) else 0.0


def _slip(points: Points, fit: Fit, use: Flags) -> Finding | None:
    """A lasting shift of the angle from one moment on; at turning points and within sweeps."""
    patterns: list[Floats] = []
    moments: list[float] = []
    at = np.flatnonzero(use)
    for k in np.unique(points.sweep[use]):
        mine = at[points.sweep[at] == k]
        for part in np.arange(SLIP_PLACES) / SLIP_PLACES:
            start = float(points.time_s[mine[int(part * len(mine))]])
            patterns.append((points.time_s >= start).astype(float))
            moments.append(start)
    table = np.column_stack(patterns[1:]) if len(patterns) > 1 else np.zeros((len(points), 0))
    if not table.shape[1]:
        return None
    columns = -fit.slope[:, None] * table
    gains = fit.gain(columns)
    best_at = int(np.argmax(gains))
    size = fit.size(columns[:, best_at])
    if gains[best_at] < KNOCK_GAIN or abs(size) < LEAST_SLIP_DEG:
        return None
    return Finding(float(gains[best_at]), None, -1,
                   f"From {moments[best_at + 1]:.1f} s on the angle stands off by about {size:+.2f} degrees: "
                   "the encoder or its coupling has slipped.")
