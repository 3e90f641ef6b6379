"""Uncertainty budget after JCGM 100 (GUM).

    u_c² = Σ u_i²                                   (5.1.2, sources independent, sensitivities taken into u_i)
    ν_eff = u_c⁴ / Σ u_i⁴/ν_i                        (G.4.1, Welch–Satterthwaite), cut to the next lower integer
    U = t_p(ν_eff) · u_c                             (G.3.4)
    rectangular a/√3, triangular a/√6, arcsine a/√2, resolution q/√12   (4.3.7, 4.3.9, H.1; F.2.2.1)
    ν of a Type B bound known to a relative r: ½ r⁻² (G.4.2)

Where a source is an effect that may be there or not (a probe's line that misses the axis, a throw too small to show)
the errors are a mixture, and no Student factor describes it: an effect with a chance of 2 % widens the standard
uncertainty though 95 % of the errors hardly know of it, one with a chance of 20 % puts more than 5 % of them beyond
2 u_c. Then

    F(x) = Σ_j p_j F_t((x − m_j)/σ_j; ν_j)          σ_j² = Σ u_i² + v_j,   ν_j of G.4.1 with v_j endlessly known
    U: the half-width about the estimate that holds the coverage,  k = U/u_c      (JCGM 101, 7.7; JCGM 100, G.1.3)

over all combinations j of what may be there, each with its chance p_j, where the truth would stand against the estimate
(m_j) and how far that is uncertain (v_j). Where an effect is rarer than the coverage asks for, U would not know of it
at all, however far off it would put the truth: U is also no less than a third of the half-width that holds 99 %,
and no less than u_c, which is stated beside it: an expanded uncertainty below the standard one would mislead.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from scipy import optimize, special

from analysis.result import BudgetLine

ENDLESS = 1e6
FAR, FAR_CHANCE = 3.0, 0.99    # so many U hold the truth at least this surely
LEAST_PART = 0.01     # of the combined variance, from which on it matters whether an effect is there or not


@dataclass(frozen=True)
class Possible:
    """One way things may stand: its chance, truth less estimate then (mean and variance, unit of the result)."""

    chance: float
    away: float
    variance: float


@dataclass(frozen=True)
class Source:
    """One contribution: a standard uncertainty in the unit of the result and its degrees of freedom.

    `mixtures`, for effects that may be there or not, say what the standard uncertainty is made of: each a set of ways
    things may stand whose chances add up to one and whose errors have a mean of nothing.
    """

    name: str
    type: Literal["A", "B"]
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    mixtures: tuple[tuple[Possible, ...], ...] = ()


@dataclass(frozen=True)
class Part:
    """One combination of what may be there: its chance, and Student's distribution of the errors then."""

    chance: float
    away: float
    standard: float
    degrees_of_freedom: float


@dataclass(frozen=True)
class Combined:
    """Combined and expanded uncertainty, and the distribution of the errors that they are of."""

    standard: float
    expanded: float
    coverage_factor: float
    degrees_of_freedom: float
    parts: tuple[Part, ...]

    @property
    def coverage_from(self) -> Literal["student", "mixture"]:
        """Whose factor it is: Student's, or that of a mixture with effects that may be there or not."""
        return "student" if len(self.parts) == 1 else "mixture"

    def chance_between(self, low: float, high: float) -> float:
        """Chance that truth less estimate lies between low and high; either may be infinite."""
        return _between(self.parts, low, high)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known to lie within +-half_width (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def resolution(step: float) -> float:
    """Standard uncertainty of a reading to the nearest step (JCGM 100, F.2.2.1)."""
    return step / math.sqrt(12.0)


def effective_degrees_of_freedom(sources: Iterable[Source]) -> float:
    """Welch–Satterthwaite (JCGM 100, G.2b); infinite when no source limits it."""
    listed = list(sources)
    combined = math.fsum(s.standard_uncertainty**2 for s in listed)
    if combined == 0.0:
        return math.inf
    limiting = math.fsum((s.standard_uncertainty**2 / combined) ** 2 / s.degrees_of_freedom for s in listed)
    return 1.0 / limiting if limiting > 0.0 else math.inf


def coverage_factor(coverage: float, degrees_of_freedom: float) -> float:
    """Two-sided Student factor; degrees of freedom are cut to the next lower integer (G.4.1)."""
    if math.isinf(degrees_of_freedom):
        return float(special.ndtri(0.5 + coverage / 2.0))
    return float(special.stdtrit(max(1.0, float(math.floor(degrees_of_freedom + 1e-9))), 0.5 + coverage / 2.0))


def combine(sources: Iterable[Source], coverage: float) -> Combined:
    """Root of the sum of squares, with the factor for the coverage asked for."""
    listed = list(sources)
    standard = math.sqrt(math.fsum(s.standard_uncertainty**2 for s in listed))
    freedom = effective_degrees_of_freedom(listed)
    if freedom > ENDLESS:
        freedom = math.inf      # a source of rounding errors is no limit, and its 1e50 no figure to print
    factor = coverage_factor(coverage, freedom)
    parts = _parts(listed, standard)
    if len(parts) == 1:
        return Combined(standard, factor * standard, factor, freedom, (Part(1.0, 0.0, standard, freedom),))
    expanded = max(_half_width(parts, coverage), _half_width(parts, FAR_CHANCE) / FAR, standard)
    return Combined(standard, expanded, expanded / standard, freedom, parts)


def _half_width(parts: tuple[Part, ...], coverage: float) -> float:
    most = max(abs(p.away) + special.stdtrit(min(max(1.0, p.degrees_of_freedom), ENDLESS), 0.5 + coverage / 2.0)
               * p.standard for p in parts)
    return float(optimize.brentq(lambda half: _between(parts, -half, half) - coverage, 0.0, most * (1.0 + 1e-6),
                                 xtol=1e-9 * most))


def _parts(listed: list[Source], standard: float) -> tuple[Part, ...]:
    """Every combination of what may be there; effects too small to matter count as ordinary sources."""
    plain, unsure = [], []
    for source in listed:
        rest = source.standard_uncertainty**2
        for mixture in source.mixtures:
            own = math.fsum(p.chance * (p.away**2 + p.variance) for p in mixture)
            if own > LEAST_PART * standard**2:
                unsure.append(mixture)
                rest -= own
        plain.append((max(0.0, rest), source.degrees_of_freedom))
    variance = math.fsum(rest for rest, _ in plain)
    limiting = math.fsum(rest**2 / freedom for rest, freedom in plain)
    found = []
    for ways in itertools.product(*unsure):
        mine = variance + math.fsum(way.variance for way in ways)
        freedom = mine**2 / limiting if limiting > 0.0 else math.inf
        found.append(Part(math.prod(way.chance for way in ways), math.fsum(way.away for way in ways), math.sqrt(mine),
                          freedom if freedom <= ENDLESS else math.inf))
    return tuple(found)


def _between(parts: Iterable[Part], low: float, high: float) -> float:
    return math.fsum(p.chance * (_below(p, high) - _below(p, low)) for p in parts)


def _below(part: Part, value: float) -> float:
    """Student's distribution; none of it is cut to a whole number, which is for tables and would make steps here."""
    if part.standard <= 0.0:
        return float(value >= part.away)
    z = (value - part.away) / part.standard
    freedom = part.degrees_of_freedom
    return float(special.ndtr(z) if math.isinf(freedom) else special.stdtr(max(1.0, freedom), z))


def budget(sources: Iterable[Source]) -> tuple[BudgetLine, ...]:
    """The table for the reader: largest first, sources that are nothing left out."""
    listed = sorted((s for s in sources if s.standard_uncertainty > 0.0), key=lambda s: -s.standard_uncertainty)
    total = math.fsum(s.standard_uncertainty**2 for s in listed)
    return tuple(
        BudgetLine(s.name, s.type, s.standard_uncertainty, s.standard_uncertainty**2 / total) for s in listed
    )
