"""A datum that is not what it should be in one place: worn, burred or dirty.

The lift stands off there by the same in every sweep and in both senses, at the same angle from the crest, which neither
lag nor lash, a throw, a knock nor a drift does. Of a lobe that is known only by its symmetry the flanks differ there,
and which of the two is at fault the trace does not say; of a known profile one flank does.

What is left of the shape still tells the crest: the place is given an offset of its own, a B-spline for each part of
it, which takes it out of the fit. Of all stretches of neighbouring splines it is the one that makes chi square fall the
most, less a price for each spline; then the next, and again once the fit has it, since before the crest stood where the
place drew it. On either side a deviation fades further out than it shows: the splines there are let in with a smaller
prior.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.quantiles import quantile
from analysis.reference import tables
from analysis.reference.fit import Addition, Fit
from analysis.reference.points import Points
from analysis.reference.rows import CUBIC
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

NAME = "form"
LOBES = ("lobe", "lobe-profile")
SPLINES = 24               # from the crest to the reach
PRIOR = 0.05               # lift units
MOST = 0.1                 # lift units: more is another datum
MOST_STRETCHES = 3
MOST_PART = 0.45           # of a flank: where more is off, which part is right is not told
EACH = 4.0                 # of chi square, the price of a spline
LEAST_GAIN = 60.0          # of chi square beyond that, for a place,
NEXT_GAIN = 8.0            # and for what lies beside one, once it is in
LEAST_DEVIATION = 0.005    # lift units: less is form that nothing else is asked of either
LEAST_POWER, LEAST_SEEN = 0.2, 0.5     # of what the sweep shows that shows the most; of what it would show
MOST_BY_LINES = 0.5        # of what is seen
DOUBTED_PART, DOUBTED_POWER = 0.4, 7.0
MARGIN, MARGIN_PART, MARGIN_SIZE = 2, 4, 0.2    # splines beside a place; one for so many of it; of its size


def shown(fit: Fit) -> bool:
    """Whether a place has been taken into the fit."""
    return any(name.startswith(NAME) for name in fit.additions)


def worn(spec: Spec, fit: Fit, before: list[Addition]) -> tuple[list[Addition], float]:
    """Splines where the datum stands off its shape in all sweeps, and how far chi square would fall with them.

    None where nothing shows it, or where so much is off that it is another datum. Not asked of one sense alone, where a
    throw or a knock looks like it, nor of a piston.

    Parameters
    ----------
    before : list of Addition
        Splines that the fit has already; they are among those returned.
    """
    if spec.kind not in LOBES or "hysteresis" not in fit.shifts:
        return [], 0.0
    columns = _splines(fit)
    had, least = _which(before, columns), (NEXT_GAIN if before else LEAST_GAIN) * tables.inflation(fit)
    pull, free = fit.score_of(columns)
    pull, free = pull / fit.s0, free + np.eye(len(free)) * (fit.s0 / PRIOR)**2
    if _gain(pull, free, ~had) < least:
        return [], 0.0             # as in nearly all traces; no few of them gain more than all do
    places, gain = had, 0.0
    for _ in range(MOST_STRETCHES):
        wider, more = _with_one_more(pull, free, places, had)
        if more < gain + least:
            break
        places, gain = wider, more
    new = places & ~had
    if not new.any() or places.sum() > MOST_PART * SPLINES:
        return [], 0.0
    off = np.linalg.solve(free[np.ix_(new, new)], pull[new]) * fit.s0
    if not before and np.abs(off).max() > MOST:
        return [], 0.0
    return _additions(columns, np.where(places, PRIOR, 0.0)), gain


def believed(points: Points, before: Fit, after: Fit) -> bool:
    """Whether so much is off, alike in all sweeps, and is not what the encoder's lines make.

    What taking the places in changed of the residuals, fitted to the residuals of each sweep, is 1 over all; a drift is
    more in one than in another. Lines in step with the samples look alike in all where they happen to stand alike.
    """
    change, weight = before.residual - after.residual, after.weight
    sweeps = [points.sweep == k for k in np.unique(points.sweep[weight > 0.0])]
    pulls = weight * change
    power = np.array([float(pulls[one] @ change[one]) for one in sweeps])
    seen = np.array([float(pulls[one] @ before.residual[one]) for one in sweeps])
    some = power > LEAST_POWER * power.max()
    by_lines = max(sum(float(np.abs(errors[:, one] @ (pulls * after.slope)[one]).max()) for one in sweeps)
                   for errors in (points.lines.errors(), points.lines.errors(stiff=True)))
    return (abs(deviation(after)[1]) > LEAST_DEVIATION and by_lines < MOST_BY_LINES * power.sum()
            and bool((seen[some] > LEAST_SEEN * power[some]).all()))


def with_margins(fit: Fit, before: list[Addition]) -> list[Addition]:
    """The splines that the fit has, and those on either side of them."""
    columns = _splines(fit)
    had = _which(before, columns)
    wide = had.copy()
    edges = np.flatnonzero(np.diff(had.astype(int), prepend=0, append=0))
    for first, last in edges.reshape(-1, 2).tolist():
        more = max(MARGIN, -(-(last - first) // MARGIN_PART))
        wide[max(0, first - more):last + more] = True
    size = max(abs(fit.additions[one.name]) for one in before)
    return _additions(columns, np.where(had, PRIOR, np.where(wide, MARGIN_SIZE * size, 0.0)))


def doubt_deg(before: Fit, after: Fit, places: list[Addition]) -> float:
    """Standard uncertainty of the crest from where the places end, crank degrees.

    What is off by less further out draws the crest the way that the places did: next to nothing where they are narrow,
    and by up to two fifths as far where they are as broad as may be.
    """
    part = len(places) / (MOST_PART * SPLINES)
    return float(DOUBTED_PART * min(part, 1.0)**DOUBTED_POWER * abs(after.crest_deg - before.crest_deg))


def deviation(fit: Fit) -> tuple[float, float]:
    """Where the lift stands off the most, crank degrees past the crest, and by how much, lift units.

    Of a lobe that is known only by its symmetry: on the flank that is lower, by how much it is. `shown` has to hold.
    """
    values = {int(name.split()[1]): value for name, value in fit.additions.items() if name.startswith(NAME)}
    columns = _splines(fit)
    off = sum(columns[:, k] * value for k, value in values.items()) * (1.0 if fit.shape.known else 2.0)
    at = int(np.argmax(np.abs(off)))
    side = -1.0 if not fit.shape.known and np.asarray(off)[at] > 0.0 else 1.0
    return side * float(fit.u_deg[at]), side * float(np.asarray(off)[at])


def _which(before: list[Addition], columns: Floats) -> Flags:
    had = np.zeros(columns.shape[1], dtype=bool)
    had[[int(one.name.split()[1]) for one in before]] = True
    return had


def _additions(columns: Floats, priors: Floats) -> list[Addition]:
    return [Addition(f"{NAME} {k}", columns[:, k], float(priors[k])) for k in np.flatnonzero(priors).tolist()]


def _with_one_more(pull: Floats, free: Floats, places: Flags, had: Flags) -> tuple[Flags, float]:
    """The places with the best stretch of neighbours, and what all but those had gain, less their price."""
    best, most, n = places, 0.0, len(places)
    for first in range(n):
        for last in range(first + 1, min(n, first + int(MOST_PART * SPLINES)) + 1):
            tried = places.copy()
            tried[first:last] = True
            some = tried & ~had
            if some.any() and (gain := _gain(pull, free, some) - EACH * int(some.sum())) > most:
                best, most = tried, gain
    return best, most


def _gain(pull: Floats, free: Floats, some: Flags) -> float:
    """How far chi square would fall with some of the splines."""
    part = pull[some]
    return float(part @ np.linalg.solve(free[np.ix_(some, some)], part))


def _splines(fit: Fit) -> Floats:
    """Cubic B-splines of the angle, SPLINES on each flank and one at the crest, shape (n, m).

    Of a lobe that is known by its symmetry alone those on one flank less those on the other: the sum is its shape.
    """
    along = np.clip(fit.u_deg / quantile(np.abs(fit.u_deg), 0.995), -1.2, 1.2) * SPLINES
    interval = np.floor(along).astype(np.int64)
    values = np.power((along - interval)[:, None], np.arange(4)) @ CUBIC.T
    at = interval[:, None] + np.arange(SPLINES - 1, SPLINES + 3)
    inside = (at >= 0) & (at <= 2 * SPLINES)
    table = np.zeros((len(along), 2 * SPLINES + 1))
    table[np.broadcast_to(np.arange(len(along))[:, None], at.shape)[inside], at[inside]] = values[inside]
    return table if fit.shape.known else table[:, SPLINES + 1:] - table[:, SPLINES - 1::-1]
