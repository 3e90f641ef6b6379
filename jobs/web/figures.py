"""Figures as text: signs, decimals and units the way a metrologist writes them."""

from __future__ import annotations

import math
from typing import Any

MINUS = "−"
NOTHING = "–"

VERDICT_WORDS = {
    "conforming": "conforming",
    "nonconforming": "nonconforming",
    "undecided": "undecided",
    "no-result": "no result",
}


def as_float(value: Any) -> float | None:
    """The value as a finite float, or None when it is none (empty text, None, NaN, an infinity)."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def number(value: Any, places: int = 3, *, signed: bool = False) -> str:
    """A figure with a fixed number of decimals and a true minus sign; a dash when there is none.

    A value that rounds to nothing carries no sign, so that −0.000 is never read as a direction.
    """
    found = as_float(value)
    if found is None:
        return NOTHING
    digits = f"{abs(found):.{places}f}"
    if float(digits) == 0:
        return digits
    return (MINUS if found < 0 else "+" if signed else "") + digits


def verdict_word(verdict: Any) -> str:
    """A verdict as it is said; nothing decided yet is no result."""
    return VERDICT_WORDS.get(str(verdict or ""), "no result")


def deg(value: Any, places: int = 3) -> str:
    """`+0.031°`, a deviation or shift in degrees."""
    return _with_unit(number(value, places, signed=True), "°")


def deg_plain(value: Any, places: int = 3) -> str:
    """`140.031°`, an angle or uncertainty in degrees."""
    return _with_unit(number(value, places), "°")


def mm(value: Any, places: int = 3) -> str:
    """`−6.100 mm`, a shift or error in millimetres."""
    return _with_unit(number(value, places, signed=True), " mm")


def _with_unit(figure: str, unit: str) -> str:
    return figure if figure == NOTHING else figure + unit
