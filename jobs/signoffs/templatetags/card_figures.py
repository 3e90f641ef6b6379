"""Figures of the job card that no other page needs."""

from __future__ import annotations

from decimal import Decimal

from django import template

from jobs.orders import quantities
from jobs.web.figures import true_minus

register = template.Library()


@register.filter
def plain(value: Decimal | None) -> str:
    """A decimal without trailing zeros."""
    return "–" if value is None else true_minus(quantities.plain(value))


@register.filter
def percent(share: float | None) -> str:
    """A share of one as a percentage."""
    return "–" if share is None else f"{100 * share:.1f} %"


@register.filter
def freedom(value: float | None) -> str:
    """Degrees of freedom; from a thousand on the factor no longer depends on them."""
    return "∞" if value is None or value > 1000 else f"{value:.0f}"


@register.filter
def magnitude(value: float | None) -> float | None:
    """A figure without its sign, where a word beside it gives the sense."""
    return None if value is None else abs(value)
