"""What the residuals neither show nor exclude, and how large the nuisances are allowed to be.

*Scales.* The priors of drift and lag have a standard deviation that the trace itself can tell: that of the
estimates beyond their own uncertainty. It is taken from the marginal likelihood over a grid of scales,

    log p(s) = −½ log det(I + SΛS) + ½ bᵀ(Λ + S⁻²)⁻¹ b,      S = s·diag(r)

with Λ the information about the coefficients and b = Λ·estimate. Where the trace says nothing the scale stays at
the middle of what shops see.

*Throws.* A throw across the lash smaller than what the search believes still moves the crest. Its share is the
model average over "thrown" and "not thrown": the crest moves by the posterior mean and the spread is budgeted.
Where a throw in both senses was believed, one in either sense alone may leave little more: then they are averaged over.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from analysis.quantiles import quantile
from analysis.reference import search
from analysis.reference.fit import Fit, Shift
from analysis.reference.points import Points
from analysis.uncertainty import Possible

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

DRIFT_SCALES = np.geomspace(0.0005, 0.2, 14)      # lift units
LAG_SCALES = np.geomspace(0.0003, 0.05, 12)       # seconds
HIDDEN_SCALE, HIDDEN_FACTOR = 0.02, 3.3           # lift units and a ratio: what shops see of drift, middle and spread
UNSTEADY_SCALES = np.geomspace(0.0005, 0.5, 13)   # lift units
LEAST_EVIDENCE, SOME_EVIDENCE = 3.0, 0.3          # of the logarithm of the likelihood ratio
SEEN_PART = 0.15           # of what they gain: as much the residuals have to show of more additions by themselves
THROW_SIZE_DEG = 0.12
THROW_CHANCE = 0.25
LIKELIHOOD_PART = 0.5      # of a logarithm of likelihoods is believed: residuals are related, models are not quite true


def scale_of(fit: Fit, index: list[int], estimate: Floats, relative: Floats, prior: Floats, scales: Floats, *,
             hidden: bool = False, alone: bool = False) -> float:
    """The scale of a group of parameters, from what their estimates say.

    Parameters
    ----------
    index : list of int
        Their rows in the inverse of the fit's normal matrix.
    relative : ndarray
        Standard deviation of each for a scale of 1.
    prior : ndarray
        Standard deviation each had in the fit.
    hidden : bool
        One of them cannot be told from the crest: its variance is the mean square of the scale, which two or three
        others that happen to be small leave far above the square of the mean. They do not say that the scale is small
        either, so it is believed beforehand to lie about HIDDEN_SCALE, log-normal, within HIDDEN_FACTOR.
    alone : bool
        There is one parameter, whose variance is the mean square of the scale where the trace tells little of it.
    """
    precision = np.linalg.inv(fit.normal.inverse[np.ix_(index, index)] * fit.s0**2)
    information = precision - np.diag(prior**-2.0)
    logs = likelihoods(information * np.outer(relative, relative), precision @ estimate * relative, scales)
    if hidden:
        logs = logs - 0.5 * (np.log(scales / HIDDEN_SCALE) / np.log(HIDDEN_FACTOR)) ** 2
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    # where little is told of the scale its tail is long, and what nothing tells apart errs as the tail does: the mean
    return float(np.sqrt(np.sum(weight * scales**2)) if hidden or alone else np.sum(weight * scales))


def scale_of_more(fit: Fit, columns: Floats, relative: Floats, scales: Floats, least: float) -> float | None:
    """The scale of additions that are not in the fit, None when the trace asks for none.

    They are asked for where the logarithm of the likelihood ratio is `least` and more, and, where that is plain, the
    residuals show so much of them as they stand. What is gained with everything else fitted again and hardly shows in
    the residuals is gained along what the additions have in common with the crest: over there and back a polynomial of
    time that is even about the turn is a function of the angle. There a wave of some micrometres on the lift asks for
    tenths of a millimetre of drift, and moves the crest by as many tenths of a degree.

    The marginal likelihood of `scale_of`, from the score of the residuals: b = XᵀWr and Λ = XᵀWX − XᵀWA N⁻¹ AᵀWX.

    Parameters
    ----------
    columns : ndarray, shape (n, m)
        The additions.
    relative : ndarray, shape (m,)
        Standard deviation of each for a scale of 1.
    """
    pull, information = fit.score_of(columns * relative)
    logs = likelihoods(information / fit.s0**2, pull / fit.s0**2, scales)
    if logs.max() < least:
        return None
    if logs.max() >= LEAST_EVIDENCE:
        alone = fit.power_of(columns * relative)
        if float(pull @ np.linalg.lstsq(alone, pull)[0]) / fit.s0**2 < SEEN_PART * 2.0 * logs.max():
            return None
    weight = np.exp(logs - logs.max())
    return float(np.exp(np.sum(weight * np.log(scales)) / weight.sum()))


def likelihoods(information: Floats, pull: Floats, scales: Floats) -> Floats:
    """log p(s) at each of the scales, for parameters in units of their size at a scale of 1.

    On the axes of the information both terms are sums.
    """
    known, axes = np.linalg.eigh(information)
    told = 1.0 + scales[:, None] ** 2 * known
    # rounding may leave a parameter that nothing is known of with less than nothing
    told = np.maximum(told, 1e-9)
    return np.asarray(0.5 * np.sum(scales[:, None] ** 2 * (axes.T @ pull) ** 2 / told - np.log(told), axis=1))


@dataclass(frozen=True)
class Doubt:
    """How effects that may be there move the crest (crank degrees), and what the mean of them leaves."""

    move_deg: float
    variance_deg2: float
    mixtures: tuple[tuple[Possible, ...], ...] = ()

    def __add__(self, other: Doubt) -> Doubt:
        return Doubt(self.move_deg + other.move_deg, self.variance_deg2 + other.variance_deg2,
                     self.mixtures + other.mixtures)


NONE = Doubt(0.0, 0.0)


def of_ways(ways: Sequence[tuple[float, float, float]]) -> Doubt:
    """The mean over ways things may stand, each a chance, the crest's place then and its variance."""
    mean = math.fsum(chance * at for chance, at, _ in ways)
    mixture = tuple(Possible(chance, at - mean, variance) for chance, at, variance in ways if chance > 0.0)
    return Doubt(mean, math.fsum(p.chance * (p.away**2 + p.variance) for p in mixture), (mixture,))


def throw_doubt(points: Points, fit: Fit, use: Flags, thrown: list[str], inflation: float) -> Doubt:
    """Average over throws that were not believed; `inflation` is the variance ratio of related residuals."""
    if "hysteresis" not in fit.shifts or "throw, both senses" in thrown:
        return NONE
    found = NONE
    reach = quantile(np.abs(fit.u_deg[use]), 0.98)
    places = np.array(search.THROW_PARTS[:8:2]) * reach
    pull, free, power = fit.score_past(points.sense, places)
    forward, reverse = fit.gains_of(np.abs(pull), np.diag(free), power).reshape(2, -1)
    for sense, name, gains in ((1.0, "throw, forward", forward), (-1.0, "throw, reverse", reverse)):
        if name in thrown:
            continue
        sign, past = -sense, (points.sense == sense) & (fit.u_deg * sense > places[int(np.argmax(gains))])
        size, own, lever = fit.let_in(np.where(past, -fit.slope, 0.0))
        mean, spread, chance = _thrown(sign * size, own * inflation)
        found += of_ways([(1.0 - chance, 0.0, 0.0), (chance, lever * sign * mean, lever**2 * spread)])
    return found


def which_throw(points: Points, fit: Fit, both: Shift) -> Doubt:
    """Average over a throw in both senses, forward alone and reverse alone; `fit` has the one in both, without ties.

    With one more column, the throw in reverse beyond that of both, each of the three is a constraint a·x = 0 on
    x = (crest, throw, beyond). It moves the crest by −(Pa)₁ d/(aᵀPa) and costs d²/(aᵀPa) of chi square, with d = a·x.
    """
    row = 1 + list(fit.shifts).index(both.name)
    beyond, variance, levers = fit.let_in_beside(-fit.slope * np.where(points.sense < 0.0, both.pattern, 0.0))
    lever = np.array([levers[0], levers[row], 1.0])
    known = np.zeros((3, 3))
    known[:2, :2] = fit.normal.inverse[np.ix_([0, row], [0, row])] * fit.s0**2
    known += np.outer(lever, lever) * variance
    throw = fit.shifts[both.name] + levers[row] * beyond
    tried = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 1.0], [0.0, 1.0, 0.0]])     # both, forward alone, reverse alone
    away = tried @ np.array([0.0, throw, beyond])
    room = np.einsum("ij,jk,ik->i", tried, known, tried)
    moves = levers[0] * beyond - (tried @ known[0]) * away / room
    weight = np.exp(-0.5 * LIKELIHOOD_PART * (away**2 / room - (away**2 / room).min()))
    weight /= weight.sum()
    return of_ways([(float(chance), float(move), 0.0) for chance, move in zip(weight, moves, strict=True)])


def _thrown(size: float, variance: float) -> tuple[float, float, float]:
    """Posterior mean and variance of a throw that can only be positive, and the chance that there is one."""
    prior = THROW_SIZE_DEG**2
    post = variance * prior / (variance + prior)
    middle = size * prior / (variance + prior)
    z = middle / np.sqrt(post)
    above = max(float(special.ndtr(z)), 1e-12)
    odds = (THROW_CHANCE / (1.0 - THROW_CHANCE) * np.sqrt(variance / (variance + prior))
            * np.exp(min(0.5 * z * z, 300.0)) * 2.0 * above)
    density = float(np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))
    mean = middle + np.sqrt(post) * density / above
    spread = post * (1.0 - z * density / above - (density / above) ** 2)
    return float(mean), float(max(spread, 0.0)), float(odds / (1.0 + odds))
