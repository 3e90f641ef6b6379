"""Knock, slip or throw: what looks alike on one flank is fitted in full, and what leaves least is believed."""

from __future__ import annotations

import numpy as np

from analysis.quantiles import median, quantile
from analysis.reference import search
from analysis.reference.fit import Addition, Fit
from analysis.reference.points import Points
from analysis.reference.trial import Estimate, Trial

KNOCK_PRIOR = 3.0
MISFIT_PART = 0.02         # of the lift: beyond this the datum is another one
ALIKE = 1.1                # of what the better model leaves: no worse than this is no worse
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
    driven = np.abs(fit.u_deg) < quantile(np.abs(fit.u_deg[out.use]), 0.98)
    pace = median(np.abs(out.points.speed[out.use & driven]))
    lash = 2.0 * max(0.0, fit.shifts["hysteresis"] + max(0.0, fit.shifts.get("lag", 0.0)) * pace)
    if abs(fit.shifts[throw.name]) > MOST_LASH * lash + LASH_ROOM_DEG:
        return False
    return fit.loss(out.use) < THROWN_ALIKE * tried(out, trial, found, crest)[0][0]


def put_aside(out: Estimate, trial: Trial, found: list[search.Finding], crest: float) -> bool:
    """Take out a knocked sweep, or stop at a slip; False when the search ends here.

    Knock and slip look alike on one flank, so both are tried in full and the one that leaves less is believed;
    when they leave the same, both are named.
    """
    left = tried(out, trial, found, crest)
    if out.shape.known and left[0][2].misfit(out.use) > MISFIT_PART * trial.look.range:
        return False           # neither explains it: the datum is not the one in the spec
    loss, suspect, fit = left[0]
    near = [s for other, s, _ in left if other < ALIKE * loss]
    slip = next((s for s in near if s.shift is not None), None)
    knock = next((s for s in near if s.shift is None), None)
    if slip is not None and (slip is suspect or len(out.points.sweeps_in(out.use)) < 3):
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
    trial.offsets.append(offset(out.points, suspect))
    out.use = use
    return True


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
    return Addition("offset after a knock", (points.time_s >= knock.time_s).astype(float), KNOCK_PRIOR)
