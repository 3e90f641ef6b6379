"""Typed values: their numbers, their units, and the suspicion that they were read in another unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from jobs.errors import BadInput, Reason

# Reading.value has fourteen digits, six of them decimals.
LARGEST = Decimal(10) ** 8
PLACES = Decimal("0.000001")


@dataclass(frozen=True)
class Scale:
    """A unit in terms of the stored one: stored = (typed + offset) · factor."""

    unit: str
    factor: Decimal
    offset: Decimal = Decimal(0)

    def to_stored(self, typed: Decimal) -> Decimal:
        return (typed + self.offset) * self.factor


# 25.4 is exact (international inch of 1959). 1 lbf·ft = 0.45359237 kg · 9.80665 m/s² · 0.3048 m, exact.
_SCALES: dict[str, tuple[Scale, ...]] = {
    "mm": (Scale("mm", Decimal(1)), Scale("inch", Decimal("25.4"))),
    "N·m": (Scale("N·m", Decimal(1)), Scale("lbf·ft", Decimal("1.3558179483314004"))),
    "°C": (Scale("°C", Decimal(1)), Scale("°F", Decimal(5) / Decimal(9), Decimal(-32))),
}
# Digits with one decimal mark at most; a thousands mark would leave it open which of two numbers is meant.
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", re.ASCII)


def scales(stored_unit: str) -> tuple[Scale, ...]:
    """The units in which a value may be typed, the stored one first."""
    return _SCALES.get(stored_unit, (Scale(stored_unit, Decimal(1)),))


def units_for(stored_unit: str) -> list[str]:
    """The names of the units in which a value may be typed, the stored one first."""
    return [scale.unit for scale in scales(stored_unit)]


def parse(entered: str, *, field: str = "entered") -> Decimal:
    """The number that was typed; a comma is a decimal mark. Raises `BadInput`."""
    text = entered.strip().replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(text):
        sentence = (
            f"“{entered.strip()[:40]}” is not a number. Type digits and one decimal mark, such as 12.5."
        )
        if re.fullmatch(r"[+-]?[\d.,\s]+", text, re.ASCII) and re.search(r"\d", text):
            sentence = f"“{entered.strip()[:40]}” can be read in two ways. Type it without a thousands mark."
        raise BadInput([Reason("not-a-number", sentence, field)])
    number = Decimal(text.replace(",", "."))
    if abs(number) >= LARGEST:
        raise BadInput([Reason("too-large", f"{entered.strip()[:40]} is larger than any reading.", field)])
    return number


def to_stored(entered: str, *, unit: str, stored_unit: str) -> Decimal:
    """What was typed, in the stored unit, to six decimals. Raises `BadInput`."""
    scale = next((one for one in scales(stored_unit) if one.unit == unit), None)
    if scale is None:
        sentence = f"A value in {unit or 'no unit'} cannot be taken here; give it in {_either(stored_unit)}."
        raise BadInput([Reason("unit", sentence, "unit")])
    value = scale.to_stored(parse(entered)).quantize(PLACES)
    if abs(value) >= LARGEST:
        raise BadInput(
            [Reason("too-large", f"{entered.strip()} {unit} is larger than any reading.", "entered")]
        )
    return value


def suspected_unit(
    entered: str, *, unit: str, stored_unit: str, low: Decimal | None, high: Decimal | None
) -> str | None:
    """The other unit in which the value would lie within the limits, when in its own it does not; or None."""
    if low is None and high is None:
        return None
    typed = parse(entered)
    inside = {scale.unit: within(scale.to_stored(typed), low, high) for scale in scales(stored_unit)}
    if inside.get(unit, True):
        return None
    return next((other for other, fits in inside.items() if fits), None)


def within(value: Decimal, low: Decimal | None, high: Decimal | None) -> bool:
    """Whether a value lies within its limits, the limits included; an absent limit limits nothing."""
    return (low is None or low <= value) and (high is None or value <= high)


def plain(value: Decimal) -> str:
    """A decimal without exponent or trailing zeros: the same text from memory and from either database."""
    text = format(value.normalize(), "f")
    return "0" if text == "-0" else text


def limits_in_words(low: Decimal | None, high: Decimal | None, unit: str) -> str:
    """The limits as a sentence part: `81 to 99 N·m`, `at least 1 mm`, `at most 45 °C`, or `no limits`."""
    if low is not None and high is not None:
        return f"{plain(low)} to {plain(high)} {unit}"
    if low is not None:
        return f"at least {plain(low)} {unit}"
    if high is not None:
        return f"at most {plain(high)} {unit}"
    return "no limits"


def _either(stored_unit: str) -> str:
    return " or ".join(units_for(stored_unit))


def decimals(entered: str) -> int:
    """How many digits after the decimal mark were typed."""
    _, _, after = entered.strip().replace(",", ".").partition(".")
    return len(after)
