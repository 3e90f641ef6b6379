"""Typed values, units, and the suspicion of inches."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.errors import BadInput
from jobs.orders import quantities

NUMBERS = st.decimals(min_value=-99999, max_value=99999, places=4, allow_nan=False, allow_infinity=False)


@pytest.mark.parametrize(
    ("typed", "number"),
    [("12.5", "12.5"), ("12,5", "12.5"), (" 90 ", "90"), ("−3.2", "-3.2"), (",5", "0.5"), ("+4.", "4")],
)
def test_it_reads_a_comma_as_a_decimal_mark(typed: str, number: str) -> None:
    assert quantities.parse(typed) == Decimal(number)


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "abc",
        "NaN",
        "inf",
        "-Infinity",
        "1e3",
        "0x10",
        "12 mm",
        "1.234,5",
        "1,234.5",
        "1 234",
        "--1",
        "٣",
        "9" * 40,
    ],
)
def test_it_refuses_what_is_not_one_plain_number(typed: str) -> None:
    with pytest.raises(BadInput) as refusal:
        quantities.parse(typed)
    assert refusal.value.reasons[0].field == "entered"


def test_a_thousands_mark_is_told_apart_from_a_word() -> None:
    with pytest.raises(BadInput, match="two ways"):
        quantities.parse("1.234,5")


@given(NUMBERS)
def test_a_number_reads_the_same_with_comma_and_with_point(number: Decimal) -> None:
    text = f"{number:f}"
    assert quantities.parse(text) == quantities.parse(text.replace(".", ",")) == number


@pytest.mark.parametrize(
    ("typed", "unit", "stored_unit", "stored"),
    [
        ("1", "inch", "mm", "25.4"),
        ("0.5", "inch", "mm", "12.7"),
        ("100", "lbf·ft", "N·m", "135.581795"),  # 1 lbf·ft = 1.3558179483314004 N·m, rounded to six decimals
        ("32", "°F", "°C", "0"),
        ("212", "°F", "°C", "100"),
        ("-40", "°F", "°C", "-40"),
        ("7", "deg", "deg", "7"),
    ],
)
def test_it_converts_into_the_stored_unit(typed: str, unit: str, stored_unit: str, stored: str) -> None:
    assert quantities.to_stored(typed, unit=unit, stored_unit=stored_unit) == Decimal(stored)


@pytest.mark.parametrize(("unit", "stored_unit"), [("kg", "mm"), ("", "mm"), ("inch", "N·m"), ("mm", "°C")])
def test_it_refuses_a_unit_of_another_quantity(unit: str, stored_unit: str) -> None:
    with pytest.raises(BadInput) as refusal:
        quantities.to_stored("1", unit=unit, stored_unit=stored_unit)
    assert refusal.value.reasons[0].field == "unit"


def test_a_value_typed_in_inches_is_suspected() -> None:
    limits = {"low": Decimal("9.98"), "high": Decimal("10.02")}
    assert quantities.suspected_unit("0.394", unit="mm", stored_unit="mm", **limits) == "inch"


def test_a_torque_typed_in_pound_feet_is_suspected() -> None:
    limits = {"low": Decimal("81"), "high": Decimal("99")}
    assert quantities.suspected_unit("66", unit="N·m", stored_unit="N·m", **limits) == "lbf·ft"


@given(NUMBERS, NUMBERS, NUMBERS)
def test_a_value_within_its_limits_is_never_suspected(a: Decimal, b: Decimal, c: Decimal) -> None:
    low, value, high = sorted((a, b, c))
    found = quantities.suspected_unit(f"{value:f}", unit="mm", stored_unit="mm", low=low, high=high)
    assert found is None


@given(NUMBERS, NUMBERS, NUMBERS)
def test_a_suspected_unit_would_bring_the_value_within_its_limits(a: Decimal, b: Decimal, c: Decimal) -> None:
    low, high = sorted((a, b))
    found = quantities.suspected_unit(f"{c:f}", unit="mm", stored_unit="mm", low=low, high=high)
    if found is not None:
        assert not low <= c <= high
        assert low <= c * Decimal("25.4") <= high


def test_without_limits_nothing_is_suspected() -> None:
    assert quantities.suspected_unit("0.394", unit="mm", stored_unit="mm", low=None, high=None) is None


@pytest.mark.parametrize(
    ("value", "text"),
    [("9.980000", "9.98"), ("100", "100"), ("-0.0000", "0"), ("1E+2", "100"), ("0.10", "0.1")],
)
def test_a_decimal_is_written_in_one_way_only(value: str, text: str) -> None:
    assert quantities.plain(Decimal(value)) == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        ("81", "99", "81 to 99 N·m"),
        ("1", None, "at least 1 N·m"),
        (None, "45", "at most 45 N·m"),
        (None, None, "no limits"),
    ],
)
def test_limits_are_told_in_words(low: str | None, high: str | None, text: str) -> None:
    ends = [None if end is None else Decimal(end) for end in (low, high)]
    assert quantities.limits_in_words(ends[0], ends[1], "N·m") == text
