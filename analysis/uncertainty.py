"""Uncertainty budget after JCGM 100 (GUM).

    u_c² = Σ u_i²                                   (5.1.2, sources independent, sensitivities taken into u_i)
    ν_eff = u_c⁴ / Σ u_i⁴/ν_i                        (G.4.1, Welch–Satterthwaite), cut to the next lower integer
    U = t_p(ν_eff) · u_c                             (G.3.4)
    rectangular a/√3, triangular a/√6, arcsine a/√2, resolution q/√12   (4.3.7, 4.3.9, H.1; F.2.2.1)
    ν of a Type B bound known to a relative r: ½ r⁻² (G.4.2)
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from scipy import special

from analysis.result import BudgetLine

ENDLESS = 1e6


@dataclass(frozen=True)
class Source:
    """One contribution: a standard uncertainty in the unit of the result and its degrees of freedom."""

    name: str
    type: Literal["A", "B"]
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True)
class Combined:
    """Combined and expanded uncertainty."""

    standard: float
    expanded: float
    coverage_factor: float
    degrees_of_freedom: float


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
    return Combined(standard, factor * standard, factor, freedom)


def budget(sources: Iterable[Source]) -> tuple[BudgetLine, ...]:
    """The table for the reader: largest first, sources that are nothing left out."""
    listed = sorted((s for s in sources if s.standard_uncertainty > 0.0), key=lambda s: -s.standard_uncertainty)
    total = math.fsum(s.standard_uncertainty**2 for s in listed)
    return tuple(
        BudgetLine(s.name, s.type, s.standard_uncertainty, s.standard_uncertainty**2 / total) for s in listed
    )
