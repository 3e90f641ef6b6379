"""The estimate: from points to a crest with its nuisances, knocked sweeps put aside.

The order: start from the bisected crests; fit with what always may be there (hysteresis and lag where both senses
are seen, slow drift, eccentricity where the spec gives its size); put aside sweeps in which the probe was knocked;
ask whether the shaft was thrown across its lash at the crest in one sense; ask for hum; fit again.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.reference import axis, hum, search, worn
from analysis.reference.fit import Addition, Fit
from analysis.reference.lobe import below, bisect
from analysis.reference.look import Look
from analysis.reference.nuisances import UNSTEADY, unsteady_drift
from analysis.reference.points import Points
from analysis.reference.shapes import EvenLobe, Known, ProfileShape, Shape, known_shape
from analysis.reference.sticking import FRICTION, friction, twice_a_turn
from analysis.reference.suspects import look_again, put_aside, rather_thrown
from analysis.reference.trial import Estimate, Trial
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

GAIN_PRIOR = 0.02
MOST_FINDINGS = 12
MOST_WIDENED = 4
MOST_SHIFTED = 5
EACH_DRIFT = 4.0           # of chi square, the price of each polynomial of a drift
RATHER_KNOCKED = 3.0       # times what a miss of the axis would take out of chi square
LEFT_BY_DRIFT = 0.1        # of what else was found: what a drift leaves of it at most


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
    level = look.low + (0.06 if look.floor else 0.02) * look.range
    reach: list[float] = []
    for k in sweeps:
        mine = points.sweep == k
        left, right = below(points.angle_deg[mine], points.lift[mine], level)
        reach += [crest_deg - at for at in left] + [at - crest_deg for at in right]
    if not reach:
        return use
    inside = np.abs(points.angle_deg - crest_deg) < min(reach)
    if not (use & inside).any():
        return use             # the crest is none of theirs: the fit shows that the datum is another one
    return use & inside if kind in ("piston", "link-rod") or look.floor else use


def known_there(points: Points, use: Flags, crest_deg: float, known: Known | None) -> Flags:
    """Points in use at which the datum's shape is known: a table that is cut off on a flank says nothing beyond."""
    if not isinstance(known, ProfileShape):
        return use
    low, high = known.known_deg
    u = points.angle_deg - crest_deg
    inside = use & (u > low) & (u < high)
    return inside if inside.any() else use


def shape_for(spec: Spec, points: Points, use: Flags, crest_deg: float) -> Shape:
    """The spec's shape, or an even lobe with knots to suit the number of points."""
    known = known_shape(spec)
    if known is not None:
        return known
    reach = float(np.abs(points.angle_deg[use] - crest_deg).max()) + 1.5
    return EvenLobe(reach, int(np.clip(use.sum() / 15, 12, 220)))


def estimate(points: Points, spec: Spec, look: Look, sweeps: list[int], encoder_per_crank: float) -> Estimate:
    """Fit the sweeps (indices) that passed the first look; needs at least one."""
    known = known_shape(spec)
    crest = start_crest(points, look, sweeps, known)
    use = known_there(points, usable(points, look, sweeps, crest, spec.kind), crest, known)
    gain = GAIN_PRIOR if known is not None and points.scale == 1.0 else None
    shape = shape_for(spec, points, use, crest)
    trial = Trial(points, spec, look, encoder_per_crank, gain, axis=axis.shift_if_stated(points, spec))
    out = Estimate(points, trial.solve(shape, use, crest, gentle=True), shape, use)
    for _ in range(MOST_SHIFTED):
        # of a lopsided table that is cut off the bisected crest may lie degrees beside it
        inside = known_there(points, usable(points, look, sweeps, crest, spec.kind), out.fit.crest_deg, known)
        if (inside == out.use).all():
            break
        out.use = inside
        out.fit = trial.solve(shape, inside, out.fit.crest_deg, gentle=True)
    use = out.use
    if not trial.axis:
        missed = axis.gain(points, spec, out.fit)
        if missed > 0.0 and not _hums(out, trial, missed):
            _drifts(out, trial, None)
        _worn(out, trial, None)
        if not _rather_knocked(out, missed):
            trial.axis = axis.shift_if_seen(points, spec, out.fit)
        if trial.axis:
            out.fit = trial.solve(shape, use, out.fit.crest_deg, gentle=True, start=out.fit)
    for _ in range(MOST_FINDINGS):
        crest = out.fit.crest_deg
        found = search.findings(points, out.fit, out.use, [t.name for t in trial.throws])
        if not found:
            break
        surest = found[0].gain
        if (_hums(out, trial, surest) or _drifts(out, trial, surest) or _shown(out, trial, surest, gentle=True)
                or _worn(out, trial, surest)):
            continue
        if found[0].zero is not None:
            trial.offsets.append(found[0].zero)
            out.fit = trial.solve(out.shape, out.use, crest, gentle=True, start=out.fit)
            continue
        thrown = next((f.throw for f in found if f.throw is not None), None)
        if thrown is not None and (thrown is found[0].throw or rather_thrown(out, trial, found, crest)):
            trial.throws.append(thrown)
            trial.place_throws(out, crest)
        elif put_aside(out, trial, found, crest, lambda some: shape_for(spec, points, some, out.fit.crest_deg)):
            out.shape = shape_for(spec, points, out.use, crest)
        else:
            if not out.use.any():
                look_again(out, trial, use, lambda some: shape_for(spec, points, some, out.fit.crest_deg))
            return out
        out.fit = trial.solve(out.shape, out.use, crest, gentle=True, start=out.fit)
    look_again(out, trial, use, lambda some: shape_for(spec, points, some, out.fit.crest_deg))
    out.throws = trial.throws
    out.fit = trial.solve(out.shape, out.use, crest, start=out.fit)
    if not _clean(out, trial, use):
        return out
    trial.tie(out.fit)
    _refine(out, trial)
    trial.doubt_which(out)
    return out


def _rather_knocked(out: Estimate, missed: float) -> bool:
    """Whether a knock of the probe would take far more out of chi square than a miss of the axis, which takes `missed`.

    In one sense a miss goes along with part of a knock near the crest, and an angle that errs with the rest.
    """
    if out.points.both_senses(out.use):
        return False
    knock = search.knock_within(out.points, out.fit, out.use)
    return knock is not None and knock.gain > RATHER_KNOCKED * missed


def _clean(out: Estimate, trial: Trial, whole: Flags) -> bool:
    """Put aside a sweep whose knock only the full fit shows; whether any is left.

    A knock near the crest of an only sweep looks like an angle that errs, which a gentle fit takes it for.
    """
    knock = search.knock_within(out.points, out.fit, out.use)
    if knock is None:
        return True
    spec, crest = trial.spec, out.fit.crest_deg

    def shaped(use: Flags) -> Shape:
        return shape_for(spec, out.points, use, crest)

    if not put_aside(out, trial, [knock], crest, shaped):
        return False
    out.shape = shaped(out.use)
    look_again(out, trial, whole, shaped)
    out.fit = trial.solve(out.shape, out.use, crest, start=out.fit)
    return True


def _refine(out: Estimate, trial: Trial) -> None:
    """Hum, the scales of the nuisances, and the throws that were not believed."""
    more: list[Addition] = []
    if out.hum_hz is None:
        more, out.hum_hz = hum.additions(out.points, out.fit)
    trial.offsets += more
    _shown(out, trial, 0.0, gentle=False)
    _worn(out, trial, 0.0, gentle=False)
    if not trial.axis:
        trial.axis = axis.shift_if_seen(out.points, trial.spec, out.fit)
    elif not axis.still_seen(out.points, trial.spec, out.fit):
        trial.axis = []
        out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
    if _unsteady(out.fit):
        # how much of it there is shows now that everything else was looked for
        trial.offsets = [one for one in trial.offsets if not one.name.startswith(UNSTEADY)]
        out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
    unsteady = unsteady_drift(out.points, out.use, out.fit)
    trial.offsets += unsteady
    if more or unsteady or trial.axis or trial.ties:
        out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
    trial.choose_lag(out)
    trial.second = True
    trial.set_scales(out.fit, out.use)
    out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)
    if trial.lag_of_lines(out.fit):
        trial.lag_scale = None
        out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, start=out.fit)


def _hums(out: Estimate, trial: Trial, gain: float) -> bool:
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


def _drifts(out: Estimate, trial: Trial, gain: float | None) -> bool:
    """Take in a drift that is not slow and surer than what else was found, with that `gain`.

    A probe that warms up and cools down within a sweep or two looks like a throw, a knock or a slip, and over all like
    a miss of the axis; without a `gain` these are looked for.
    """
    if _unsteady(out.fit):
        return False
    more = unsteady_drift(out.points, out.use, out.fit)
    if not more:
        return False
    gain = _surest(out, trial) if gain is None else gain
    if out.fit.gain_together(np.column_stack([a.pattern for a in more])) < gain + EACH_DRIFT * len(more):
        return False
    before, trial.offsets = trial.offsets, trial.offsets + more
    fit = trial.solve(out.shape, out.use, out.fit.crest_deg, gentle=True, start=out.fit)
    left = search.findings(out.points, fit, out.use, [t.name for t in trial.throws])
    if left and left[0].gain > LEFT_BY_DRIFT * gain:
        # a knock for good, or another datum: many polynomials go after it, and get nowhere near
        trial.offsets = before
        return False
    out.fit = fit
    return True


def _surest(out: Estimate, trial: Trial) -> float:
    """How far chi square would fall with the surest of a miss, a throw, a knock, a slip, friction and the encoder."""
    found = search.findings(out.points, out.fit, out.use, [t.name for t in trial.throws])
    sticks = friction(out.points, out.fit)
    _, twice = twice_a_turn(out.points, trial.spec, out.fit, trial.encoder_per_crank)
    return max(axis.gain(out.points, trial.spec, out.fit), found[0].gain if found else 0.0,
               sticks[1] if sticks else 0.0, twice)


def _unsteady(fit: Fit) -> bool:
    return any(name.startswith(UNSTEADY) for name in fit.additions)


def _worn(out: Estimate, trial: Trial, gain: float | None, *, gentle: bool = True) -> bool:
    """Take in a place where the datum stands off its shape that is surer than what else was found, with that `gain`.

    Where it begins and ends it looks like a knock or a throw in each sweep, as a whole like a miss of the axis; without
    a `gain` these are looked for.
    """
    if worn.shown(out.fit):
        return False
    places, surest = worn.worn(trial.spec, out.fit, [])
    if not places:
        return False
    if surest < (_surest(out, trial) if gain is None else gain):
        return False
    others, more, before = trial.offsets, places, out.fit
    for _ in range(MOST_WIDENED):
        if not more:
            break
        places, trial.offsets = more, others + more
        out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, gentle=gentle, start=out.fit)
        more, _ = worn.worn(trial.spec, out.fit, places)
    if not worn.believed(out.points, before, out.fit):
        trial.offsets, out.fit = others, before
        return False
    out.worn_doubt_deg = worn.doubt_deg(before, out.fit, places)
    trial.offsets = others + worn.with_margins(out.fit, places)
    out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, gentle=gentle, start=out.fit)
    return True


def _shown(out: Estimate, trial: Trial, gain: float, *, gentle: bool) -> bool:
    """Take in a friction of the probe, or an error of the encoder twice a turn, that is surer than what else was found.

    The steps of a friction at each crest look like knocks, the error of the encoder like a miss of the axis or a drift.
    """
    sticks = None if FRICTION in out.fit.additions else friction(out.points, out.fit)
    twice, by_twice = ([], 0.0) if trial.twice else twice_a_turn(out.points, trial.spec, out.fit,
                                                                 trial.encoder_per_crank)
    if sticks is not None and sticks[1] > max(gain, by_twice):
        trial.offsets.append(sticks[0])
    elif by_twice > gain:
        trial.twice = twice
    else:
        return False
    out.fit = trial.solve(out.shape, out.use, out.fit.crest_deg, gentle=gentle, start=out.fit)
    return True
