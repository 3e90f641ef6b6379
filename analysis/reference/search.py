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

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from analysis.quantiles import median, quantile
from analysis.reference import tables
from analysis.reference.fit import Addition, Fit, Shift
from analysis.reference.points import Points

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

THROW_PRIOR_DEG = 0.5
THROWS = ("throw, both senses", "throw, forward", "throw, reverse")
THROW_PARTS = (0.0, 0.04, 0.08, 0.12, 0.17, 0.22, 0.28, 0.35, 0.42, 0.5, 0.6, 0.7)   # of the reach past the crest
END_PARTS = (*THROW_PARTS[1:], 0.8, 0.9)
KNOCK_PLACES = 40
GAP_PACES = 5.0            # a pause of this many intervals may hide a slip within a sweep
MOST_PLACES = 24
LEAST_SLIP_DEG = 0.03      # a few lines that were not counted
CLEAR_SLIP_DEG = 0.2       # less is believed only where it
CLEAR_GAIN = 480.0         # shows this clearly: knocks and throws of a noisy day look like it
SLIP_PRIOR_DEG = 20.0
MOST_SLIP_DEG = 15.0
SHOWN_PART = 0.5           # of a slip: the least of it that the encoder's own jump has to show
JUMP_AROUND = 15          # points about one, whose pace is the usual there
LEAST_GAIN = 35.0          # of chi square, before either is believed
KNOCK_GAIN = 120.0
CLEARLY_LARGER = 1.5       # the step at another place than where a knock was found, for it to be there
KNOCK_NOISE = 2.0          # a knock smaller than this many standard deviations of a point is left to the noise
ZERO, ZERO_PRIOR = "other zero from", 3.0      # lift units
LEAST_KNOCK = 0.01         # lift units: smaller steps are form and lash, not knocks


@dataclass(frozen=True)
class Throw(Shift):
    """A throw across the lash, with where past the crest it starts and where the drive has caught up, crank degrees."""

    start_deg: float = 0.0
    until_deg: float = math.inf


@dataclass(frozen=True)
class Finding:
    """A throw, a knock in a sweep, a slip (a shift with a sentence), or another zero; what would model it."""

    gain: float
    shift: Shift | None = None
    sweep: int = -1
    sentence: str = ""
    time_s: float = 0.0
    zero: Addition | None = None

    @property
    def throw(self) -> Throw | None:
        """Part of how the engine works, to be modelled; the others spoil the trace."""
        return self.shift if isinstance(self.shift, Throw) else None

    @property
    def step(self) -> float:
        """When a knock's offset begins."""
        return self.time_s


def findings(points: Points, fit: Fit, use: Flags, thrown: list[str]) -> list[Finding]:
    """What is found in the residuals of a (gentle) fit, the surest first; at most one of each kind."""
    found = [f for f in (
        _throw(points, fit, use, thrown), knock_within(points, fit, use), _slip(points, fit, use),
        _zero(points, fit, use)) if f is not None]
    return sorted(found, key=lambda f: -f.gain)


def _throw(points: Points, fit: Fit, use: Flags, thrown: list[str]) -> Finding | None:
    if "hysteresis" not in fit.shifts or "throw, both senses" in thrown:
        return None
    # the same lash crossed in both senses at the same place is one parameter, and the surest sign of it
    names = THROWS if not thrown else tuple(name for name in THROWS[1:] if name not in thrown)
    if not names:
        return None
    reach = quantile(np.abs(fit.u_deg[use]), 0.98)
    starts, ends = np.array(THROW_PARTS) * reach, np.array(END_PARTS) * reach
    score = fit.score_past(points.sense, np.concatenate([starts, ends]))
    tried = {name: _best_of(fit, _of(name, *score), starts, ends) for name in names}
    name = max(names, key=lambda name: tried[name][0])
    gain, start, until = tried[name]
    if gain < LEAST_GAIN * tables.inflation(fit):
        return None
    throw = _placed(points, fit, name, start, until, 0.06 * reach)
    # knocks are looked for point by point: to be compared with them it takes the gain at its own place
    own = float(fit.gain((-fit.slope * throw.pattern)[:, None])[0])
    return Finding(max(gain, own), throw)


def _steps(points: Points, fit: Fit, name: str, places_deg: Floats) -> Floats:
    """Patterns of a throw from each of several places past the crest on, shape (n, m)."""
    past = {sense: ((points.sense == sense)[:, None] & ((fit.u_deg * sense)[:, None] > places_deg)).astype(float)
            for sense in (1.0, -1.0)}
    if name == "throw, both senses":
        return np.asarray(past[-1.0] - past[1.0])
    return np.asarray(past[1.0 if name == "throw, forward" else -1.0])


def _of(name: str, pull: Floats, free: Floats, power: Floats) -> tuple[Floats, Floats, Floats]:
    """What `score_past` has of forward and reverse sweeps, for a throw: a pull that is positive, free and power."""
    m = len(pull) // 2
    if name == "throw, both senses":
        both = free[:m, :m] + free[m:, m:] - free[:m, m:] - free[m:, :m]
        return pull[m:] - pull[:m], both, power[:m] + power[m:]
    if name == "throw, forward":
        return -pull[:m], free[:m, :m], power[:m]          # the spring throws the shaft ahead, never back
    return pull[m:], free[m:, m:], power[m:]


def _best_of(fit: Fit, score: tuple[Floats, Floats, Floats], starts: Floats, ends: Floats
             ) -> tuple[float, float, float]:
    """The best throw from one of `starts` on: its gain, where it starts and where it ends, degrees past the crest.

    `score` is of the starts, then of the ends. A throw that ends is the step at its start less the step at its end: all
    pairs cost no more than the steps do. An end is believed where it gains as much as a knock has to, since lines in
    step with the samples look a little like one; else it is at infinity.
    """
    pull, free, power = score
    n = len(starts)
    whole = fit.gains_of(pull[:n], np.diag(free)[:n], power[:n])
    start = int(np.argmax(whole))
    if not len(ends):
        return float(whole[start]), float(starts[start]), math.inf
    lasting = fit.gains_of(pull[:n, None] - pull[n:], np.diag(free)[:n, None] + np.diag(free)[n:] - 2.0 * free[:n, n:],
                           np.where(ends > starts[:, None], power[:n, None] - power[n:], math.inf))
    first, last = np.unravel_index(int(np.argmax(lasting)), lasting.shape)
    if lasting[first, last] < whole[start] + KNOCK_GAIN:
        return float(whole[start]), float(starts[start]), math.inf
    return float(lasting[first, last]), float(starts[first]), float(ends[last])


def _placed(points: Points, fit: Fit, name: str, start_deg: float, until_deg: float, span_deg: float) -> Throw:
    """A throw with its places refined within +-span of where a coarser search found them."""
    around = np.linspace(-1.0, 1.0, 31)
    for _ in range(2):
        starts = np.maximum(start_deg + around * span_deg, 0.0)
        ends = until_deg + around * span_deg if until_deg < math.inf else np.zeros(0)
        score = _of(name, *fit.score_past(points.sense, np.concatenate([starts, ends])))
        _, start_deg, until_deg = _best_of(fit, score, starts, ends)
        span_deg /= 12.0
    pattern = _steps(points, fit, name, np.array([start_deg, until_deg]))
    return Throw(name, pattern[:, 0] - pattern[:, 1], THROW_PRIOR_DEG, start_deg, until_deg)


def placed_again(points: Points, fit: Fit, throw: Throw) -> Throw:
    """A throw put where it fits best, for a fit that has the other effects but not this one."""
    reach = quantile(np.abs(fit.u_deg), 0.98)
    return _placed(points, fit, throw.name, throw.start_deg, throw.until_deg, 0.08 * reach)


def knock_within(points: Points, fit: Fit, use: Flags) -> Finding | None:
    """The surest knock of the probe within a sweep, None where there is none."""
    places: list[Ints] = []
    for k in points.sweeps_in(use):
        at = np.flatnonzero(use & (points.sweep == k) & ~points.spiky)
        if len(at) >= 40:
            places.append(at[np.unique(np.linspace(0.04 * len(at), 0.96 * len(at), KNOCK_PLACES).astype(int))])
    if not places:
        return None
    tried = np.concatenate(places)
    gains = fit.gain_of_steps(points, tried)
    rough = int(tried[int(np.argmax(gains))])
    sweep = int(points.sweep[rough])
    at = np.flatnonzero(use & (points.sweep == sweep) & ~points.spiky)
    # between two of the places the step's own residuals are mixed: look again, point by point where it matters
    near = int(np.searchsorted(at, rough))
    span = len(at) // KNOCK_PLACES + 1
    window = at[max(8, near - span):min(len(at) - 8, near + span)]
    if not len(window):
        return None
    window = window[:: max(1, len(window) // 50)]
    fine = fit.gain_of_steps(points, window)
    place = int(window[int(np.argmax(fine))])
    gain, size = float(fine.max()), _step(fit.residual[at], int(np.searchsorted(at, place)))
    if gain < KNOCK_GAIN or abs(size) < max(LEAST_KNOCK, KNOCK_NOISE * _local_noise(fit, at, place)):
        return None
    return Finding(gain, None, sweep, _knocked(points, size, float(points.time_s[place])), float(points.time_s[place]))


def _knocked(points: Points, size: float, time_s: float) -> str:
    how = f"{size * 1e3:+.0f} µm" if points.scale == 1.0 else f"{size * points.scale:+.0f} counts"
    return f"The lift steps by {how} at {time_s:.1f} s: the probe was knocked."


def knock_seen_by_others(points: Points, fit: Fit, whole: Flags, knock: Finding, stays: float) -> str:
    """The sentence of a knock as a fit of the other sweeps sees it.

    The fit in which it was found had gone along with it: part of the step was in the lobe's shape, and its place may
    have been elsewhere: it is where the sums turn if the step is clearly larger there. `stays` is the offset that the
    fit has from the knock on, lift units.
    """
    at = np.flatnonzero(whole & (points.sweep == knock.sweep) & ~points.spiky)
    time_s = points.time_s[at]
    left = fit.residual[at] + stays * (time_s >= knock.time_s)
    places = [int(np.argmin(np.abs(time_s - knock.time_s))), *_turning(left)]
    sizes = [_step(left, place) for place in places]
    turned = len(places) > 1 and abs(sizes[1]) > CLEARLY_LARGER * abs(sizes[0])
    return _knocked(points, sizes[turned], float(time_s[places[turned]]))


def knock_of(points: Points, fit: Fit, use: Flags, sweep: int) -> Finding | None:
    """The knock of a sweep that was left out of the fit; None where it is too small for one."""
    at = np.flatnonzero(use & (points.sweep == sweep) & ~points.spiky)
    left = fit.residual[at]
    for place in _turning(left):
        size = _step(left, place)
        if abs(size) >= LEAST_KNOCK:
            time_s = float(points.time_s[at[place]])
            return Finding(KNOCK_GAIN, None, sweep, _knocked(points, size, time_s), time_s)
    return None


def _turning(left: Floats) -> list[int]:
    """Where the sums of a sweep's residuals turn: the place of its step (Page, Biometrika 41 (1954) 100)."""
    ends = np.arange(8, len(left) - 8)
    if not len(ends):
        return []
    sums = np.cumsum(left - left.mean())[ends - 1]
    return [int(ends[np.argmax(sums**2 / (ends * (len(left) - ends)))])]


def _step(left: Floats, k: int, span: int = 24) -> float:
    """Size of the step of a sweep's residuals at place k: medians just after less just before."""
    before, after = left[max(0, k - span):k], left[k:k + span]
    return median(after) - median(before) if len(before) and len(after) else 0.0


def _local_noise(fit: Fit, at: Ints, place: int, span: int = 24) -> float:
    """Standard deviation of a point about its neighbours, near a place."""
    k = int(np.searchsorted(at, place))
    part = np.diff(fit.residual[at[max(0, k - 2 * span):k + 2 * span]])
    return median(np.abs(part)) * 1.4826 / math.sqrt(2.0)


def _slip(points: Points, fit: Fit, use: Flags) -> Finding | None:
    """A lasting shift of the angle from one moment on; at turning points and in gaps."""
    patterns: list[Floats] = [np.ones(len(points))]
    moments: list[float] = [0.0]
    # within a sweep an encoder that slips shows a jump of its own, unless the recorder was not looking
    at = np.flatnonzero(use)
    lasted = np.diff(points.time_s[at])
    pace = median(lasted)
    turned = np.diff(points.sweep[at]) != 0
    places = np.flatnonzero(turned | (lasted > GAP_PACES * pace) & (points.count[at][1:] < 4.0)) + 1
    if len(places) > MOST_PLACES:
        places = places[np.argsort(-lasted[places - 1])[:MOST_PLACES]]
    for place in places.tolist():
        start = float(points.time_s[at[place]])
        patterns.append((points.time_s >= start).astype(float))
        moments.append(start)
    table = np.column_stack(patterns[1:]) if len(patterns) > 1 else np.zeros((len(points), 0))
    if not table.shape[1]:
        return None
    columns = -fit.slope[:, None] * table
    gains, sizes = fit.gains_and_sizes(columns)
    best_at = int(np.argmax(gains))
    if gains[best_at] < KNOCK_GAIN:
        return None
    return _slipped(float(gains[best_at]), table[:, best_at], float(sizes[best_at]), moments[best_at + 1])


def _zero(points: Points, fit: Fit, use: Flags) -> Finding | None:
    """A lasting offset of the lift from the beginning of a sweep on: the probe or its dial was set anew, or knocked."""
    sweeps = points.sweeps_in(use)
    starts = [float(points.time_s[points.sweep == k][0]) for k in sweeps[1:]]
    starts = [start for start in starts if f"{ZERO} {start:.1f} s" not in fit.additions]
    if not starts or "hysteresis" not in fit.shifts:
        return None
    table = np.column_stack([(points.time_s >= start).astype(float) for start in starts])
    gains, sizes = fit.gains_and_sizes(table)
    at = int(np.argmax(gains))
    if gains[at] < KNOCK_GAIN or abs(float(sizes[at])) < LEAST_KNOCK:
        return None
    zero = Addition(f"{ZERO} {starts[at]:.1f} s", table[:, at], ZERO_PRIOR)
    return Finding(float(gains[at]), time_s=starts[at], zero=zero)


def slip_in_its_place(points: Points, fit: Fit, knock: Finding) -> Finding | None:
    """The slip that would look like a knock: within the same sweep, where the encoder itself jumps.

    None where it shows no jump that could be it.
    """
    start_s, jump = _jump(points, knock.sweep)
    pattern = (points.time_s >= start_s).astype(float)
    column = -fit.slope * pattern
    size = fit.size(column)
    if jump * np.sign(size) < SHOWN_PART * abs(size):
        return None
    return _slipped(float(fit.gain(column[:, None])[0]), pattern, size, start_s)


def _jump(points: Points, sweep: int) -> tuple[float, float]:
    """When the encoder goes furthest beyond its pace within a sweep, seconds, and how far, crank degrees; or 0, 0."""
    mine = np.flatnonzero((points.sweep == sweep) & (points.count < 4.0))
    if len(mine) < 2:
        return 0.0, 0.0
    lasted = np.diff(points.time_s[mine])
    pace = np.diff(points.angle_deg[mine]) / np.maximum(lasted, 1e-9)
    beyond = (pace - median_filter(pace, JUMP_AROUND, mode="nearest")) * lasted
    at = int(np.argmax(np.abs(beyond)))
    return float(points.time_s[mine[at + 1]]), float(beyond[at])


def _slipped(gain: float, pattern: Floats, size_deg: float, start_s: float) -> Finding | None:
    if not LEAST_SLIP_DEG < abs(size_deg) < MOST_SLIP_DEG:
        return None
    if abs(size_deg) < CLEAR_SLIP_DEG and gain < CLEAR_GAIN:
        return None
    return Finding(gain, Shift("slip", pattern, SLIP_PRIOR_DEG), -1,
                   f"From {start_s:.1f} s on the angle stands off by about {size_deg:+.2f} degrees: "
                   "the encoder or its coupling has slipped.", start_s)
