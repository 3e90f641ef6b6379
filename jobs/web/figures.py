"""Figures as text: signs, decimals and units the way a metrologist writes them."""

from __future__ import annotations

import math
import re
from typing import Any

MINUS = "−"
NOTHING = "–"

# A hyphen that stands for minus: before a figure, with nothing before it that would make it a dash between two
# (PR-07, 2026-07-01, 3-5), or in the exponent of one (1e-05).
# What is quoted stays as it was found: it is the text of a file.
_HYPHEN_FOR_MINUS = re.compile(r"((?<!\w)'[^']*'(?!\w))|(?<![\w.)\]-])-(?=[.,]?\d)|(?<=\d[eE])-(?=\d)")

REFUSED = "refused"
VERDICT_WORDS = {
    "conforming": "conforming",
    "nonconforming": "nonconforming",
    "undecided": "undecided",
    "no-result": "no result",
    REFUSED: "refused",
}


def as_float(value: Any) -> float | None:
    """The value as a finite float, or None when it is none (empty text, None, NaN, an infinity)."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def true_minus(text: Any) -> str:
    """The text with a true minus sign (U+2212) before its negative figures; other hyphens stay what they are.

    Sentences are made where plain text is the custom (the analysis, the ledger); on screen and paper they pass here.
    """
    return _HYPHEN_FOR_MINUS.sub(lambda found: found[1] or MINUS, str(text))


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
    """A verdict as it is said, or that the file was refused; nothing decided yet is no result."""
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
