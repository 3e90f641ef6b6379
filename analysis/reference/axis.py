"""A probe whose line passes the shaft's axis at a distance: the chord midpoints drift with the lift.

The probe touches the lobe where it is turned by δ = asin(e/ρ), with e the distance and ρ that point's radius, so that
flanks, and at the crest the crest itself, are seen turned by δ(ρ): most where the lobe is low. That the turn grows as
the lift falls is what the trace shows; its size at the crest, e/R, is what has to be taken off (metrology 10.3).

Where the spec gives the crest's radius (`pitch_radius_mm`) e is a nuisance of the fit, with the prior `u_axis_mm`.
Where it does not, the trace is asked: a drift far beyond chance is believed, a lesser one averaged over. A worn or
unsymmetric lobe looks the same but stands elsewhere: then half of what was taken off is budgeted, which reaches as far
as no miss at all.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analysis.reference import tables, worn
from analysis.reference.doubts import NONE, Doubt, of_ways
from analysis.reference.fit import Fit, Shift
from analysis.reference.points import Points
from analysis.reference.worn import LOBES
from analysis.spec import Spec

Floats = npt.NDArray[np.float64]

NAME = "miss of the axis"
USUAL_RADIUS_MM = 60.0
LEAST_RADIUS_PART = 0.3     # of the crest's radius: no lobe is lower
LEAST_MISS_MM = 0.005
LEAST_SIGMAS = 6.0
LEAST_SIGMAS_UNCLEAR = 9.0  # one way, where drift looks like it, or with a worn place, where the rest of it does
PRIOR_MM = 0.5
DOUBTED_PART = 0.5
CHANCE, CHANCE_SIZE_MM = 0.02, 0.15
CHANCE_PROFILE = 0.005     # what the probe saw is in the table, as it was set up then
CHANCE_WORN = 0.5          # where a place was found worn, and a miss is not believed for it


def shift_if_stated(points: Points, spec: Spec) -> list[Shift]:
    """The shift for a lobe whose crest radius the spec gives."""
    radius = _stated(points, spec)
    return [] if radius is None else [Shift(NAME, _turn(points, spec.crank_per_datum, radius), spec.u_axis_mm)]


def shift_if_seen(points: Points, spec: Spec, fit: Fit) -> list[Shift]:
    """The shift for a lobe of unknown radius, when the midpoints drift beyond what chance makes them."""
    if spec.kind not in LOBES or _stated(points, spec) is not None:
        return []
    turn = _turn(points, spec.crank_per_datum, USUAL_RADIUS_MM)
    size, variance, _ = fit.let_in(-fit.slope * turn)
    if abs(size) < _least(fit, variance):
        return []
    return [Shift(NAME, turn, PRIOR_MM)]


def gain(points: Points, spec: Spec, fit: Fit) -> float:
    """How far chi square would fall with a miss let in; 0 where none is looked for."""
    if spec.kind not in LOBES or _stated(points, spec) is not None:
        return 0.0
    size, variance, _ = fit.let_in(-fit.slope * _turn(points, spec.crank_per_datum, USUAL_RADIUS_MM))
    return size**2 / variance


def still_seen(points: Points, spec: Spec, fit: Fit) -> bool:
    """Whether a miss that was believed early still stands out, now that everything else was looked for."""
    if _stated(points, spec) is not None or NAME not in fit.shifts:
        return True
    return abs(fit.shifts[NAME]) > _least(fit, fit.shift_variance[NAME])


def undecided(points: Points, spec: Spec, fit: Fit, inflation: float) -> Doubt:
    """A miss that was not believed: the crest moves by the mean of "missed" and "not missed", the spread is budgeted.

    `inflation` is the variance ratio of related residuals.
    """
    if spec.kind not in LOBES or NAME in fit.shifts:
        return NONE
    size, variance, lever = fit.let_in(-fit.slope * _turn(points, spec.crank_per_datum, USUAL_RADIUS_MM))
    variance *= inflation * tables.inflation(fit)
    prior = CHANCE_SIZE_MM**2
    part = prior / (variance + prior)
    before = CHANCE_WORN if worn.shown(fit) else CHANCE_PROFILE if fit.shape.known else CHANCE
    odds = before / (1.0 - before) * math.sqrt(variance / (variance + prior)) * math.exp(
        min(0.5 * size**2 / variance * part, 300.0))
    chance = odds / (1.0 + odds)
    mean, spread = lever * size * part, lever**2 * variance * part + (DOUBTED_PART * lever * size * part) ** 2
    return of_ways([(1.0 - chance, 0.0, 0.0), (chance, mean, spread)])


def _least(fit: Fit, variance: float) -> float:
    clear = "hysteresis" in fit.shifts and not worn.shown(fit)
    sigmas = LEAST_SIGMAS if clear else LEAST_SIGMAS_UNCLEAR
    return max(LEAST_MISS_MM, sigmas * float(np.sqrt(variance * tables.inflation(fit))))


def doubt_deg(points: Points, spec: Spec, fit: Fit) -> float:
    """Standard uncertainty of the crest from not knowing whether the probe or the lobe is at fault, crank degrees."""
    if _stated(points, spec) is not None or NAME not in fit.shifts:
        return 0.0
    return DOUBTED_PART * abs(turn_at_crest_deg(points, spec, fit))


def turn_at_crest_deg(points: Points, spec: Spec, fit: Fit) -> float:
    """How far the miss that was found turns the crest, crank degrees."""
    radius = _stated(points, spec) or USUAL_RADIUS_MM
    return -spec.crank_per_datum * float(np.degrees(np.arcsin(np.clip(fit.shifts.get(NAME, 0.0) / radius, -1.0, 1.0))))


def _stated(points: Points, spec: Spec) -> float | None:
    """The crest's radius, where it can be compared with the lift: counts without a calibration have no size."""
    return spec.pitch_radius_mm if spec.kind in LOBES and points.scale == 1.0 else None


def _turn(points: Points, crank_per_datum: float, radius_mm: float) -> Floats:
    """Crank degrees of turn at each point for one millimetre of miss, shape (n,)."""
    radius = np.clip(radius_mm - (points.top - points.lift), LEAST_RADIUS_PART * radius_mm, radius_mm * 1.1)
    return -crank_per_datum * np.degrees(1.0 / radius)
