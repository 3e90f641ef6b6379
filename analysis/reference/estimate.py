"""The estimate: from points to a crest with its nuisances, knocked sweeps put aside.

The order: start from the bisected crests; fit with what always may be there (hysteresis and lag where both senses
are seen, slow drift, eccentricity where the spec gives its size); put aside sweeps in which the probe was knocked;
ask whether the shaft was thrown across its lash at the crest in one sense; ask for hum; fit again.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from analysis.reference import axis, doubts, hum, search
from analysis.reference.fit import Addition, Fit, Shift
from analysis.reference.lobe import bisect
from analysis.reference.look import Look
from analysis.reference.points import Points
from analysis.reference.shapes import EvenLobe, Known, Shape, known_shape
from analysis.reference.solving import solve
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

HYSTERESIS_PRIOR_DEG = 0.25
LAG_PRIOR_S = 0.05
DRIFT_PRIOR = 0.1          # lift units over half the trace, both senses seen
DRIFT_PRIOR_ONE_WAY = 0.02
DRIFT_PRIOR_UNSEEN = 0.002
GAIN_PRIOR = 0.02
KNOCK_PRIOR = 3.0
UNSTEADY_EACH = 3          # more polynomials of drift for each sweep
MOST_DRIFT = 24
MISFIT_PART = 0.02         # of the lift: beyond this the datum is another one
MOST_FINDINGS = 12
ALIKE = 1.1                # of what the better model leaves: no worse than this is no worse
LAG_NONE_S = 0.001
LEAST_LAG_S = 0.01        # below this a delay and a filter are the same


@dataclass
class Estimate:
    """A fit with its story."""

    points: Points
    fit: Fit
    shape: Shape
    use: Flags
    knocked: dict[int, str] = field(default_factory=dict)
    throws: list[Shift] = field(default_factory=list)
    hum_hz: float | None = None
    slipped: str = ""
    moved_deg: float = 0.0     # by effects that are neither shown nor excluded
    sweep_deviation_deg: dict[int, float] = field(default_factory=dict)
    sweep_uncertainty_deg: dict[int, float] = field(default_factory=dict)

    def findings(self) -> dict[str, float | str | None]:
        """What was found beside the crest, for the explanation; crank degrees, seconds, lift units."""
        found: dict[str, float | str | None] = {f"{name}": value for name, value in self.fit.shifts.items()}
        found["lift noise"] = self.fit.s0
        found["angle noise"] = self.fit.s1_deg
        if self.shape.known:
            found["gain"] = float(self.fit.coefficients[1])
        return found


def start_crest(points: Points, look: Look, sweeps: list[int], known: Known | None) -> float:
    """Median of the sweeps' bisected crests; for a lopsided known shape less what bisecting it would give."""
    crests = [m.crest_deg for k in sweeps if (m := look.sweeps[k].midline) is not None and m.crest_deg is not None]
    crest = float(np.median(crests))
    if known is None:
        return crest
    for _ in range(2):
        u = points.angle_deg[np.isin(points.sweep, sweeps)] - crest
        grid = np.linspace(u.min(), u.max(), 2000)
        lift = known.lift(grid)
        top = float(lift.max())
        floor = max(float(lift.min()), top - look.range)
        middle = bisect(grid, np.maximum(lift, floor), floor, top).crest_deg
        crest = float(np.median(crests)) - (middle or 0.0)
    return crest


def usable(points: Points, look: Look, sweeps: list[int], crest_deg: float, kind: str) -> Flags:
    """Points of the sweeps whose lift was measured: none on a rail or with the probe off its datum."""
    use = np.isin(points.sweep, sweeps)
    if not look.floor and kind in ("lobe", "lobe-profile"):
        return use
    part = 0.06 if look.floor else 0.02
    reach: list[float] = []
    for k in sweeps:
        mine = points.sweep == k
        line = bisect(points.angle_deg[mine], points.lift[mine], look.low, look.low + part * look.range / 0.5)
        if len(line.level):
            at = int(np.argmin(np.abs(line.level - (look.low + part * look.range))))
            reach += [crest_deg - float(line.left_deg[at]), float(line.right_deg[at]) - crest_deg]
    if not reach:
        return use
    inside = np.abs(points.angle_deg - crest_deg) < min(reach)
    return use & inside if kind in ("piston", "link-rod") or look.floor else use


def shape_for(spec: Spec, points: Points, use: Flags, crest_deg: float) -> Shape:
    """The spec's shape, or an even lobe with knots to suit the number of points."""
    known = known_shape(spec)
    if known is not None:
        return known
    reach = float(np.abs(points.angle_deg[use] - crest_deg).max()) + 1.5
    return EvenLobe(reach, int(np.clip(use.sum() / 15, 12, 220)))


def nuisances(points: Points, spec: Spec, use: Flags, encoder_per_crank: float, drift_scale: float | None = None,
              lag_scale: float = LAG_PRIOR_S, lag_s: float = 0.0,
              filtered: bool = True) -> tuple[list[Shift], list[Addition]]:
    """Shifts and additions that may always be there."""
    senses = set(points.sense[use].tolist())
    shifts: list[Shift] = []
    if len(senses) == 2:
        late = points.late(lag_s, filtered)
        shifts = [Shift("hysteresis", points.sense, HYSTERESIS_PRIOR_DEG), Shift("lag", late, lag_scale)]
    if spec.u_encoder_deg > 0.0:
        phase = np.deg2rad(points.angle_deg * encoder_per_crank)
        shifts += [Shift("eccentricity, cosine", np.cos(phase), spec.u_encoder_deg),
                   Shift("eccentricity, sine", np.sin(phase), spec.u_encoder_deg)]
    return shifts, drift(points, use, len(senses) == 2, drift_scale)


def drift(points: Points, use: Flags, both: bool, scale: float | None) -> list[Addition]:
    """Slow drift of the lift: Legendre polynomials of time, the higher the smaller."""
    degree = _drift_degree(points, use, both)
    table = _legendre(points, use, degree)
    size = scale or (DRIFT_PRIOR if both else DRIFT_PRIOR_ONE_WAY)
    return [Addition(f"drift {k}", table[:, k], size / k) for k in range(1, degree + 1)]


def unsteady_drift(points: Points, use: Flags, fit: Fit) -> list[Addition]:
    """Drift that is not slow, as when a probe warms up at the start: higher polynomials where the trace asks for them.

    None with one sense only: within one sweep they would be told from the crest by their size alone.
    """
    if len(set(points.sense[use].tolist())) < 2:
        return []
    steady = _drift_degree(points, use, True)
    degree = min(steady + UNSTEADY_EACH * len(np.unique(points.sweep[use])), MOST_DRIFT)
    table = _legendre(points, use, degree)[:, steady + 1:]
    relative = 1.0 / np.arange(steady + 1, degree + 1)
    scale = doubts.scale_of_more(fit, table, relative, doubts.UNSTEADY_SCALES)
    if scale is None:
        return []
    return [Addition(f"unsteady drift {k}", table[:, k - steady - 1], scale / k) for k in range(steady + 1, degree + 1)]


def _drift_degree(points: Points, use: Flags, both: bool) -> int:
    return 2 + len(np.unique(points.sweep[use])) // 2 if both else 2


def _legendre(points: Points, use: Flags, degree: int) -> Floats:
    span = points.time_s[use]
    middle, half = (span[0] + span[-1]) / 2.0, max((span[-1] - span[0]) / 2.0, 1e-9)
    part = np.clip((points.time_s - middle) / half, -1.2, 1.2)
    return np.polynomial.legendre.legvander(part, degree)


def estimate(points: Points, spec: Spec, look: Look, sweeps: list[int], encoder_per_crank: float) -> Estimate:
    """Fit the sweeps (indices) that passed the first look; needs at least one."""
    known = known_shape(spec)
    crest = start_crest(points, look, sweeps, known)
    use = usable(points, look, sweeps, crest, spec.kind)
    gain = GAIN_PRIOR if known is not None and points.scale == 1.0 else None
    shape = shape_for(spec, points, use, crest)
    trial = _Trial(points, spec, look, encoder_per_crank, gain, axis=axis.shift_if_stated(points, spec))
    out = Estimate(points, trial.solve(shape, use, crest, gentle=True), shape, use)
    if not trial.axis:
        _hums(out, trial, axis.gain(points, spec, out.fit))
        trial.axis = axis.shift_if_seen(points, spec, out.fit)
        if trial.axis:
            out.fit = trial.solve(shape, use, out.fit.crest_deg, gentle=True, start=out.fit)
    for _ in range(MOST_FINDINGS):
        crest = out.fit.crest_deg
        found = search.findings(points, out.fit, out.use, [t.name for t in trial.throws])
        if not found:
            break
        if _hums(out, trial, found[0].gain):
            continue
        if found[0].is_throw:
            trial.throws.append(_shift_of(found[0]))
            trial.place_throws(out, crest)
        elif _put_aside(out, trial, found, crest):
            out.shape = shape_for(spec, points, out.use, crest)
        else:
            return out
        out.fit = trial.solve(out.shape, out.use, crest, gentle=True, start=out.fit)
    out.throws = trial.throws
    out.fit = trial.solve(out.shape, out.use, crest, start=out.fit)
    _refine(out, trial)
    return out


def _refine(out: Estimate, trial: _Trial) -> None:
    """Hum, the scales of the nuisances, and the throws that were not believed."""
    more: list[Addition] = []
    if out.hum_hz is None:
        more, out.hum_hz = hum.additions(out.points, out.fit)
    trial.offsets += more
    if not trial.axis:
        trial.axis = axis.shift_if_seen(out.points, trial.spec, out.fit)
    elif not axis.still_seen(out.points, trial.spec, out.fit):
        trial.axis = []
        out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
    unsteady = unsteady_drift(out.points, out.use, out.fit)
    trial.offsets += unsteady
    if more or unsteady or trial.axis:
        out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
    trial.choose_lag(out)
    trial.set_scales(out.fit)
    out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)


@dataclass
class _Trial:
    """The model as it stands while something is still looked for."""

    points: Points
    spec: Spec
    look: Look
    encoder_per_crank: float
    gain: float | None
    throws: list[Shift] = field(default_factory=list)
    offsets: list[Addition] = field(default_factory=list)
    axis: list[Shift] = field(default_factory=list)
    drift_scale: float | None = None
    lag_scale: float = LAG_PRIOR_S
    lag_s: float = 0.0
    filtered: bool = True

    def choose_lag(self, out: Estimate) -> None:
        """Delay or first-order filter: the one that leaves less."""
        if out.fit.shifts.get("lag", 0.0) < LEAST_LAG_S:
            return
        tried = []
        for filtered in (True, False):
            self.filtered, self.lag_s = filtered, out.fit.shifts["lag"]
            fit = self.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
            tried.append((fit.loss(out.use), filtered, fit))
        _, self.filtered, out.fit = min(tried, key=lambda item: item[0])
        self.lag_s = out.fit.shifts["lag"]

    def set_scales(self, fit: Fit) -> None:
        """Take the scales of drift and lag from what the fit says of them."""
        names = [name for name in fit.additions if name.startswith("drift")]
        if self.spec.kind in ("piston", "link-rod") and "hysteresis" not in fit.shifts:
            # drift and crest are the same thing in one pass over a parabola: the trace says nothing of its size
            self.drift_scale = DRIFT_PRIOR_UNSEEN
        elif names:
            first = fit.k + fit.design.shape.size
            index = [first + list(fit.additions).index(name) for name in names]
            relative = 1.0 / np.arange(1, len(names) + 1)
            prior = relative * (self.drift_scale or fit.drift_prior)
            self.drift_scale = doubts.scale_of(fit, index, relative, prior, doubts.DRIFT_SCALES)
        if "lag" in fit.shifts:
            row = 1 + list(fit.shifts).index("lag")
            found = doubts.scale_of(fit, [row], np.ones(1), np.array([self.lag_scale]), doubts.LAG_SCALES)
            # a probe cannot be early: a negative lag is something else, and says that the lag is small; at even
            # speed, where the trace tells little of it, it may be no more than chance
            least = max(LAG_NONE_S, float(np.sqrt(fit.shift_variance["lag"])))
            self.lag_scale = found if fit.shifts["lag"] > 0.0 else min(found, least)

    def solve(self, shape: Shape, use: Flags, crest: float, *, shifts: list[Shift] | None = None,
              offsets: list[Addition] | None = None, gentle: bool = False, start: Fit | None = None) -> Fit:
        always, additions = nuisances(self.points, self.spec, use, self.encoder_per_crank, self.drift_scale,
                                      self.lag_scale, self.lag_s, self.filtered)
        if len(set(self.points.sense[use].tolist())) < 2:
            self.throws = []
        fit = solve(self.points, shape, crest, always + self.axis + self.throws + (shifts or []),
                    additions + self.offsets + (offsets or []), use=use, gain_prior=self.gain, gentle=gentle,
                    start=start)
        fit.drift_prior = additions[0].prior
        self.lag_s = fit.shifts.get("lag", 0.0)
        return fit

    def place_throws(self, out: Estimate, crest: float) -> None:
        """Where one throw lies depends on where the other does: place each with the other in."""
        if len(self.throws) < 2:
            return
        for k, throw in enumerate(self.throws):
            others = self.throws[:k] + self.throws[k + 1:]
            kept, self.throws = self.throws, others
            fit = self.solve(out.shape, out.use, crest, gentle=True)
            self.throws = kept
            self.throws[k] = search.placed_again(self.points, fit, throw)


def _shift_of(found: search.Finding) -> Shift:
    assert found.shift is not None
    return found.shift


def _put_aside(out: Estimate, trial: _Trial, found: list[search.Finding], crest: float) -> bool:
    """Take out a knocked sweep, or stop at a slip; False when the search ends here.

    Knock and slip look alike on one flank, so both are tried in full and the one that leaves less is believed;
    when they leave the same, both are named.
    """
    left = _tried(out, trial, found, crest)
    if out.shape.known and left[0][2].misfit(out.use) > MISFIT_PART * trial.look.range:
        return False           # neither explains it: the datum is not the one in the spec
    loss, suspect, fit = left[0]
    near = [s for other, s, _ in left if other < ALIKE * loss]
    slip = next((s for s in near if s.shift is not None), None)
    knock = next((s for s in near if s.shift is None), None)
    if slip is not None and (slip is suspect or len(np.unique(out.points.sweep[out.use])) < 3):
        out.slipped, out.fit, out.throws = slip.sentence, fit, trial.throws
        if knock is not None:
            out.knocked[knock.sweep] = knock.sentence
        return False
    out.knocked[suspect.sweep] = suspect.sentence
    use = out.use & (out.points.sweep != suspect.sweep)
    if not use.any():
        out.fit, out.use = fit, use
        return False
    # a probe that was knocked stays where it was knocked to
    trial.offsets.append(_offset(out.points, suspect))
    out.use = use
    return True


def _tried(out: Estimate, trial: _Trial, found: list[search.Finding], crest: float
           ) -> list[tuple[float, search.Finding, Fit]]:
    """What each suspect leaves when it is fitted in full, the least first.

    A slip in the middle of a sweep is asked for where a knock was found, and has to do better than the knock: its
    shift grows with the slope where a knock's offset does not.
    """
    left: list[tuple[float, search.Finding, Fit]] = []
    for suspect in [f for f in found if not f.is_throw and f.gain > 0.2 * found[0].gain]:
        if suspect.shift is not None:
            fit = trial.solve(out.shape, out.use, crest, shifts=[suspect.shift], gentle=True)
            left.append((fit.loss(out.use), suspect, fit))
            continue
        fit = trial.solve(out.shape, out.use, crest, offsets=[_offset(out.points, suspect)], gentle=True)
        left.append((fit.loss(out.use), suspect, fit))
        slip = search.slip_in_its_place(out.points, out.fit, suspect)
        if slip is not None:
            assert slip.shift is not None
            other = trial.solve(out.shape, out.use, crest, shifts=[slip.shift], gentle=True)
            if ALIKE * other.loss(out.use) < fit.loss(out.use):
                left.append((other.loss(out.use), slip, other))
    return sorted(left, key=lambda item: item[0])


def _hums(out: Estimate, trial: _Trial, gain: float) -> bool:
    """Take in a hum that is surer than what else was found, with that `gain`.

    Folded by the sampling to a few cycles a sweep it looks like a throw, a knock or a miss of the axis.
    """
    if out.hum_hz is not None or gain <= 0.0:
        return False
    more, hum_hz = hum.additions(out.points, out.fit)
    if not more or out.fit.gain_together(np.column_stack([a.pattern for a in more])) < gain:
        return False
    trial.offsets += more
    out.hum_hz = hum_hz
    out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, gentle=True, start=out.fit)
    return True


def _offset(points: Points, knock: search.Finding) -> Addition:
    return Addition("offset after a knock", (points.time_s >= knock.time_s).astype(float), KNOCK_PRIOR)
