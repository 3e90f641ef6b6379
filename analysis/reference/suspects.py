"""Knock, slip or throw: what looks alike on one flank is fitted in full, and what leaves least is believed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from analysis.quantiles import median, quantile
from analysis.reference import search
from analysis.reference.fit import Addition, Fit
from analysis.reference.points import Points
from analysis.reference.shapes import Shape
from analysis.reference.trial import Estimate, Trial

Flags = npt.NDArray[np.bool_]

AFTER_KNOCK, KNOCK_PRIOR = "offset after a knock", 3.0     # and lift units
MISFIT_PART = 0.02         # of the lift: beyond this the datum is another one
ALIKE = 1.1                # of what the better model leaves: no worse than this is no worse
LEFT_OUT = 2.0             # times less than with any suspect the other sweeps have to leave without the knocked one
WORTH_TRYING = 0.2         # of the surest finding's gain
THROWN_ALIKE = 1.02        # of what knock or slip leaves, for a throw that the lash can make
MOST_LASH, LASH_ROOM_DEG = 1.5, 0.05


def rather_thrown(out: Estimate, trial: Trial, found: list[search.Finding], crest: float) -> bool:
    """Whether a throw explains what looks more like a knock or a slip.

    Past the crest of one sweep the three differ little: an offset of the lift, a shift for good, a shift to the end of
    the flank. A throw goes across the lash and no further, and the lash shows between the rising flanks, which stay
    where they are driven: as hysteresis, or as lag where the two cannot be told apart. Of what explains the trace
    equally well, it is the one that every gear train does.
    """
    throw = next((f.throw for f in found if f.throw is not None and f.gain > WORTH_TRYING * found[0].gain), None)
    if throw is None:
        return False
    fit = trial.solve(out.shape, out.use, crest, shifts=[throw], gentle=True)
    if abs(fit.shifts[throw.name]) > most_throw_deg(fit, out.points, out.use):
        return False
    return fit.loss(out.use) < THROWN_ALIKE * tried(out, trial, found, crest)[0][0]


def most_throw_deg(fit: Fit, points: Points, use: Flags) -> float:
    """How far the shaft can be thrown, crank degrees: across the lash that the driven flanks show, and a little."""
    driven = np.abs(fit.u_deg) < quantile(np.abs(fit.u_deg[use]), 0.98)
    pace = median(np.abs(points.speed[use & driven]))
    lash = 2.0 * max(0.0, fit.shifts.get("hysteresis", 0.0) + max(0.0, fit.shifts.get("lag", 0.0)) * pace)
    return MOST_LASH * lash + LASH_ROOM_DEG


def put_aside(out: Estimate, trial: Trial, found: list[search.Finding], crest: float,
              shape_for: Callable[[Flags], Shape]) -> bool:
    """Take out a knocked sweep, or stop at a slip; False when the search ends here.

    Knock and slip look alike on one flank, so both are tried in full and the one that leaves less is believed;
    when they leave the same, both are named. A sweep without which all others agree is the knocked one.
    """
    left = tried(out, trial, found, crest)
    if out.shape.known and left[0][2].misfit(out.use) > MISFIT_PART * trial.look.range:
        return False           # neither explains it: the datum is not the one in the spec
    loss, suspect, fit = left[0]
    alone = _left_out(out, trial, [other for _, _, other in left], crest, shape_for)
    if alone is not None:
        left = [(loss, alone, fit)]
        suspect = alone
    near = [s for other, s, _ in left if other < ALIKE * loss]
    slip = next((s for s in near if s.shift is not None), None)
    knock = next((s for s in near if s.shift is None), None)
    if slip is not None and (slip is suspect or len(out.points.sweeps_in(out.use)) < 3):
        out.slipped, out.fit, out.throws = slip.sentence, fit, trial.throws
        if knock is not None:
            out.knocked[knock.sweep] = knock.sentence
        return False
    out.knocked[suspect.sweep] = suspect.sentence
    out.knocks[suspect.sweep] = suspect
    use = out.use & (out.points.sweep != suspect.sweep)
    if not use.any():
        out.fit, out.use = fit, use
        return False
    # a probe that was knocked stays where it was knocked to
    trial.offsets.append(offset(out.points, suspect))
    out.use = use
    return True


def _left_out(out: Estimate, trial: Trial, suspected: list[Fit], crest: float,
              shape_for: Callable[[Flags], Shape]) -> search.Finding | None:
    """The knock of the sweep without which the others agree far better than with anything that is suspected.

    Drift and an even lobe's shape go along with a knock until what is left of it lies elsewhere, in a sweep beside it
    or as a slip. Left out, its own sweep pulls at nothing; what slipped stays slipped in the sweeps that follow.
    """
    points, best = out.points, None
    for sweep in points.sweeps_in(out.use):
        rest = out.use & (points.sweep != sweep)
        if set(points.sense[rest].tolist()) != set(points.sense[out.use].tolist()):
            continue
        later = points.time_s > points.time_s[points.sweep == sweep][-1]
        stays = [Addition(AFTER_KNOCK, later.astype(float), KNOCK_PRIOR)] if (rest & later).any() else []
        fit = trial.solve(shape_for(rest), rest, crest, offsets=stays, gentle=True)
        loss = fit.loss(rest)
        if (best is None or loss < best[0]) and LEFT_OUT * loss < min(one.loss(rest) for one in suspected):
            best = loss, sweep, fit
    if best is None:
        return None
    return search.knock_of(points, best[2], out.use, best[1])


def look_again(out: Estimate, trial: Trial, whole: Flags, shape_for: Callable[[Flags], Shape]) -> None:
    """Take back sweeps that were put aside for what a knock in another sweep did to them, and size up those that stay.

    A knock pulls the crest and an even lobe's shape along, and what that leaves in a sweep that was not knocked may be
    found before the knock itself. Once that one is put aside, such a sweep is taken in again, and nothing is found.

    Parameters
    ----------
    whole : ndarray of bool, shape (n,)
        The points that were in use before any sweep was put aside.
    shape_for : callable
        The shape for the points in use.
    """
    if not out.knocks:
        return
    others = [one for one in trial.offsets if not one.name.startswith(AFTER_KNOCK)]
    for sweep in list(out.knocks)[:-1]:
        use = out.use | whole & (out.points.sweep == sweep)
        left = [knock for k, knock in out.knocks.items() if k != sweep]
        kept, trial.offsets = trial.offsets, others + [offset(out.points, knock) for knock in left]
        shape = shape_for(use)
        fit = trial.solve(shape, use, out.fit.crest_deg, gentle=True)
        if search.findings(out.points, fit, use, [t.name for t in trial.throws]):
            trial.offsets = kept
            continue
        del out.knocked[sweep], out.knocks[sweep]
        out.use, out.shape, out.fit = use, shape, fit
        again = _found_again(out, trial, whole, shape_for, others)
        if again is not None:
            out.knocks[again.sweep], out.knocked[again.sweep] = again, again.sentence
            trial.offsets = others + [offset(out.points, knock) for knock in out.knocks.values()]
            out.fit = trial.solve(shape, use, out.fit.crest_deg, gentle=True)
    if out.use.any():
        for sweep, knock in out.knocks.items():
            stays = out.fit.additions.get(offset(out.points, knock).name, 0.0)
            out.knocked[sweep] = search.knock_seen_by_others(out.points, out.fit, whole, knock, stays)


def _found_again(out: Estimate, trial: Trial, whole: Flags, shape_for: Callable[[Flags], Shape],
                 others: list[Addition]) -> search.Finding | None:
    """The only knock that is left, looked for with nothing but it in the trace: where it was found may be beside it."""
    if len(out.knocks) != 1:
        return None
    (sweep,) = out.knocks
    use = out.use | whole & (out.points.sweep == sweep)
    kept, trial.offsets = trial.offsets, others
    fit = trial.solve(shape_for(use), use, out.fit.crest_deg, gentle=True)
    trial.offsets = kept
    found = search.findings(out.points, fit, use, [t.name for t in trial.throws])
    return next((one for one in found if one.sweep == sweep and one.shift is None), None)


def tried(out: Estimate, trial: Trial, found: list[search.Finding], crest: float
          ) -> list[tuple[float, search.Finding, Fit]]:
    """What each suspect leaves when it is fitted in full, the least first.

    A slip in the middle of a sweep is asked for where a knock was found, and has to do better than the knock: its
    shift grows with the slope where a knock's offset does not.
    """
    left: list[tuple[float, search.Finding, Fit]] = []
    for suspect in [f for f in found if f.throw is None and f.zero is None and f.gain > 0.2 * found[0].gain]:
        if suspect.shift is not None:
            fit = trial.solve(out.shape, out.use, crest, shifts=[suspect.shift], gentle=True)
            left.append((fit.loss(out.use), suspect, fit))
            continue
        fit = trial.solve(out.shape, out.use, crest, offsets=[offset(out.points, suspect)], gentle=True)
        left.append((fit.loss(out.use), suspect, fit))
        slip = search.slip_in_its_place(out.points, out.fit, suspect)
        if slip is not None:
            assert slip.shift is not None
            other = trial.solve(out.shape, out.use, crest, shifts=[slip.shift], gentle=True)
            if ALIKE * other.loss(out.use) < fit.loss(out.use):
                left.append((other.loss(out.use), slip, other))
    return sorted(left, key=lambda item: item[0])


def offset(points: Points, knock: search.Finding) -> Addition:
    since = (points.time_s >= knock.time_s).astype(float)
    return Addition(f"{AFTER_KNOCK} at {knock.time_s:.1f} s", since, KNOCK_PRIOR)
