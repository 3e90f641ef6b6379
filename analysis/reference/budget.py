"""What an estimate is worth: the sweeps one by one, and the sources of uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from analysis.quantiles import median
from analysis.reference import axis
from analysis.reference.doubts import throw_doubt
from analysis.reference.look import Look
from analysis.reference.points import LINE_NOISE
from analysis.reference.shapes import ProfileShape
from analysis.reference.trial import Estimate
from analysis.result import SweepResult
from analysis.spec import Spec
from analysis.sweeps import Sweep
from analysis.traces import Trace
from analysis.uncertainty import Source

Floats = npt.NDArray[np.float64]
BLOCKS_S = (0.35, 1.0, 2.5)   # seconds; residuals of neighbouring points are related, of far ones not
LAG_MODEL_PART = 0.01
BEAT_CHANCE = 1e-3            # how often chance is taken for a beat
FEWEST_BLOCKS, LEAST_PART = 12, 0.9  # of the standard deviation that the weights say
LONGER_S, FEWEST_LONGER, BEYOND_CHANCE = (5.0, 10.0), 6, 0.6  # blocks, and standard deviations of chance
SLOW, LEAST_LEFT = 1.6, 1 / 3  # times the variance of the weights, from which on errors are taken to wander
UNTOLD_S = 0.03               # of lag, where the encoder's lines hide it
READ_LINES = 6.0              # passed while the probe lags: with many more the speed was read, however it changed
UNREAD_PART, UNREAD_S = 0.25, 0.005     # of the lag, and seconds: error of a lag where no reading shows the speed


def type_a(found: Estimate) -> tuple[float, float]:
    """Standard uncertainty of the crest from the residuals, and its degrees of freedom.

    The influence of each point times its residual, summed in blocks (Liang and Zeger, Biometrika 73 (1986) 13): blocks
    long enough to be independent show what really scatters, related residuals with it, and errors that take turns in
    erring either way, as those of encoder lines do. The largest of several lengths of block, and at least LEAST_PART
    of what the points' weights say; these alone where the trace is too short for blocks.

    Where lift wanders for seconds (a draught, a probe warming) blocks as long as that count if they show more than
    chance makes of their number. Few of them are independent, and what was fitted has followed the wandering as far as
    it could: the variance is raised by the degrees of freedom that it took.
    """
    influence = found.fit.influence_deg[found.use]
    time_s = found.points.time_s[found.use]
    white = float(found.fit.variance_deg2 - found.fit.prior_variance_deg2)
    shown = []
    for size in BLOCKS_S:
        sums = _in_blocks(influence, time_s, size)
        if len(sums) < FEWEST_BLOCKS:
            break
        shown.append((float(np.sum(sums**2)), float(len(sums))))
    many = float(len(influence))
    least = white * LEAST_PART**2 if shown else white
    spread, freedom = max([*shown, (least, many)])
    for size in LONGER_S:
        sums = _in_blocks(influence, time_s, size)
        if len(sums) < FEWEST_LONGER:
            break
        variance = float(np.sum(sums**2))
        if variance > spread * (1.0 + BEYOND_CHANCE * math.sqrt(2.0 / len(sums))):
            spread, freedom = variance, variance**2 / float(np.sum(sums**4))
    if spread > SLOW * white:
        left = max(2.0, LEAST_LEFT * freedom, freedom - found.fit.k - len(found.fit.additions))
        spread, freedom = spread * freedom / left, left
    return math.sqrt(max(spread, 1e-18)), max(2.0, min(freedom, 200.0))


def _in_blocks(influence: Floats, time_s: Floats, size_s: float) -> Floats:
    """What each stretch of the trace does to the crest; those without a point are left out."""
    blocks = ((time_s - time_s[0]) / size_s).astype(np.int64)
    sums = np.bincount(np.cumsum(np.diff(blocks, prepend=blocks[0]) > 0), influence)
    return np.asarray(sums[sums != 0.0])


def sources(found: Estimate, spec: Spec, trace: Trace) -> list[Source]:
    """The budget's sources, crank degrees."""
    own, freedom = type_a(found)
    lines = line_errors(found)
    listed = [Source("residuals of the fit", "A", own, freedom)]
    prior = math.sqrt(found.fit.prior_variance_deg2)
    listed.append(Source("effects the trace cannot tell apart (drift, lag, lash, eccentricity)", "B", prior))
    white = max(found.fit.variance_deg2 - found.fit.prior_variance_deg2, 1e-18)
    doubt = throw_doubt(found.points, found.fit, found.use, [t.name for t in found.throws],
                        max(1.0, own**2 / white))
    missed = axis.undecided(found.points, spec, found.fit, max(1.0, own**2 / white))
    doubt += found.which_throw
    found.moved_deg = doubt.move_deg + missed.move_deg
    listed.append(Source("a throw across the lash that the trace neither shows nor excludes", "B",
                         math.sqrt(doubt.variance_deg2), mixtures=doubt.mixtures))
    listed.append(Source("encoder lines in beat with the sampling", "B",
                         beat(found, lines, max(0.0, own**2 - white))))
    listed.append(Source("how the probe's lag follows changes of speed", "B", _lag_model(found)))
    listed.append(Source("a probe's line that misses the axis, or a worn lobe", "B",
                         math.hypot(axis.doubt_deg(found.points, spec, found.fit), math.sqrt(missed.variance_deg2)),
                         mixtures=missed.mixtures))
    listed.append(Source("where a worn place of the datum ends", "B", found.worn_doubt_deg))
    listed.append(Source("scale of the probe", "B", _probe(found, spec)))
    if "hysteresis" not in found.fit.shifts:
        speed = median(np.abs(found.points.speed[found.use]))
        listed.append(Source("lash, one sense only", "B", spec.u_lash_deg))
        listed.append(Source("lag, one sense only", "B", spec.u_lag_s * speed))
    listed.append(Source("rounding of the profile's table", "B", _rounding(found)))
    listed.append(Source("datum geometry", "B", spec.u_geometry_deg))
    return listed


def _rounding(found: Estimate) -> float:
    """What the last decimal of a profile's table does to the crest: each row errs by itself, by up to half of it."""
    shape = found.shape
    if not isinstance(shape, ProfileShape) or (last_mm := shape.rounded_mm()) == 0.0:
        return 0.0
    each = found.fit.lever_deg @ shape.of_each(found.fit.u_deg)
    return float(np.linalg.norm(each)) * last_mm * LINE_NOISE


def _probe(found: Estimate, spec: Spec) -> float:
    """What an error of the probe's scale, bent once or twice over the range, does to the crest.

    Offset and gain are fitted or do not matter, and equal lifts on both flanks are wrong by the same amount, so
    little is left: only flanks that are sampled unlike each other let a bent scale through.
    """
    calibration = spec.probe_calibration
    u = math.hypot(spec.u_probe_mm, calibration.standard_uncertainty_mm if calibration else 0.0)
    if u == 0.0:
        return 0.0
    lift = found.points.lift
    part = 2.0 * (lift - lift.min()) / max(float(np.ptp(lift)), 1e-12) - 1.0
    bends = np.polynomial.legendre.legvander(np.clip(part, -1.0, 1.0), 3)[:, 2:]
    return float(np.linalg.norm(found.fit.lever_deg @ bends)) * u


@dataclass(frozen=True)
class LineErrors:
    """What the encoder's lines do to the crest, crank degrees squared.

    `seen` is the variance over readings made again with the lines at several places in each sweep, `chance` that of
    errors that have nothing to do with each other, which the points' weights hold already; `freedom` of the former.
    """

    seen: float
    chance: float
    freedom: float

    @property
    def beats(self) -> bool:
        """Whether they do more than chance makes of so few sweeps once in a thousand traces."""
        return self.seen > self.chance * float(special.chdtri(self.freedom, BEAT_CHANCE)) / self.freedom


def line_errors(found: Estimate, *, stiff: bool = False) -> LineErrors:
    """The readings made again from the path, or from a stiffer one."""
    points, pull = found.points, found.fit.lever_deg * found.fit.slope
    errors = points.lines.errors(stiff=stiff)
    sums = np.array([np.bincount(points.sweep, pull * row) for row in errors])
    by_chance = np.bincount(points.sweep, pull**2 * np.mean(errors**2, axis=0))
    total = float(by_chance.sum())
    # errors by chance move a sweep by something of a cosine and a sine of the lines' place: two degrees of freedom each
    freedom = 2.0 * total**2 / max(float((by_chance**2).sum()), 1e-300) if total > 0.0 else 1.0
    return LineErrors(float(np.mean(sums**2, axis=0).sum()), total, max(freedom, 1.0))


def beat(found: Estimate, close: LineErrors, shown: float) -> float:
    """What the encoder's lines do to the crest beyond chance, when they fall in step with the samples; crank degrees.

    Where the shaft turns a whole number of lines from sample to sample all readings err alike, which no residual
    shows. Then all that is beyond chance is budgeted, less what related residuals have `shown` (crank degrees squared).
    """
    if not close.beats:
        return 0.0
    seen = min(close.seen, line_errors(found, stiff=True).seen)
    return math.sqrt(max(0.0, seen - close.chance - shown))


def _lag_model(found: Estimate) -> float:
    """What an error of the lag does to the crest, crank degrees: LAG_MODEL_PART of it, more where the path is rough.

    Neither a delay nor a first-order filter is quite what a probe does, and the speed it is compared with is
    smoothed; the crest is moved by as much as forward and reverse differ in speed. Where the shaft sticks and slips
    between two lines of the encoder nobody read its speed, and the lag comes out too small. Where the lines hide the
    lag, or hide all changes of speed, one as probes have it is budgeted whole.
    """
    fit = found.fit
    if found.lag_untold:
        _, _, lever = fit.let_in(-fit.slope * found.points.late(UNTOLD_S, True))
        return abs(lever) * UNTOLD_S
    if "lag" not in fit.shifts:
        return 0.0
    row = 1 + list(fit.shifts).index("lag")
    inverse = fit.normal.inverse
    lever = abs(float(inverse[0, row] / max(inverse[row, row], 1e-300)))
    lag = abs(fit.shifts["lag"])
    power = (fit.weight * fit.slope**2)[found.use]
    total = max(float(power.sum()), 1e-300)
    passed = np.abs(found.points.speed[found.use]) * max(lag, UNREAD_S)
    read = (passed / max(READ_LINES * found.points.lines.step_deg, 1e-12))**2
    rough = found.points.rough_deg[found.use] > 0.0
    unread = (float((power / (1.0 + read))[rough].sum()) / total) ** 2
    hidden = float(power[found.points.hidden[found.use]].sum()) / total
    return lever * math.hypot(LAG_MODEL_PART * lag, unread * (UNREAD_PART * lag + UNREAD_S), hidden * UNTOLD_S)


def sweep_results(found: Estimate, sweeps: list[Sweep], time_s: Floats, seen: Look, offset_deg: float
                  ) -> list[SweepResult]:
    """Each sweep with its own crest; fills the estimate's deviations from the common one."""
    rows = []
    for k, sweep in enumerate(sweeps):
        mine = found.use & (found.points.sweep == k)
        reason = seen.sweeps[k].message or found.knocked.get(k, "")
        reference: float | None = None
        own: float | None = None
        if mine.any() and not reason:
            away, own = _own_crest(found, mine)
            found.sweep_deviation_deg[k], found.sweep_uncertainty_deg[k] = away, own
            moved = _mean_shift(found, mine)
            reference = found.fit.crest_deg + moved + away + offset_deg
        rows.append(SweepResult(
            "forward" if sweep.sense > 0 else "reverse", float(time_s[sweep.start]), float(time_s[sweep.stop - 1]),
            reference, own, bool(mine.any()) and not reason, reason,
        ))
    return rows


def _own_crest(found: Estimate, mine: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Deviation of one sweep's crest from the common fit and its standard uncertainty, offset left free."""
    fit = found.fit
    w, slope, residual = fit.weight[mine], fit.slope[mine], fit.residual[mine]
    total = max(float(w.sum()), 1e-12)
    tilt = slope - float((w * slope).sum()) / total
    power = max(float((w * tilt**2).sum()), 1e-12)
    return -float((w * tilt * residual).sum()) / power, fit.s0 / math.sqrt(power)


def _mean_shift(found: Estimate, mine: npt.NDArray[np.bool_]) -> float:
    """Hysteresis and lag of a sweep, weighted as its crest is."""
    fit = found.fit
    weight = fit.weight[mine] * fit.slope[mine] ** 2
    shift = fit.shifts.get("hysteresis", 0.0) * found.points.sense[mine]
    shift = shift + fit.shifts.get("lag", 0.0) * found.points.speed[mine]
    return float((weight * shift).sum() / max(float(weight.sum()), 1e-12))
