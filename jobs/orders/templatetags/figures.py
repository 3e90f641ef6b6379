"""Figures of readings and checks, with the digits they have and no more."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import template

from jobs.orders import quantities
from jobs.web.figures import NOTHING, true_minus

register = template.Library()


@register.filter
def plain(value: Decimal | None) -> str:
    """A stored reading without the zeros that only its column has: `-4.9`, shown with a true minus sign."""
    return NOTHING if value is None else true_minus(quantities.plain(value))


@register.filter
def compact(value: Any, places: int = 4) -> str:
    """A figure to so many decimals, without zeros at its end: `9314`, `0.0002`, `18.004`."""
    if value is None:
        return NOTHING
    text = f"{float(value):.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return true_minus("0" if text == "-0" else text)
