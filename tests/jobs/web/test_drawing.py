"""Where the lines of the drawn components go."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from jobs.web import drawing
from jobs.web.drawing import PAGE, ROW, SPAN, interval_mark, lie_of

angles = st.floats(-400, 400, allow_nan=False)
widths = st.floats(0.001, 500, allow_nan=False)
limits = st.floats(0.01, 5, allow_nan=False)
sizes = st.sampled_from([ROW, PAGE])
A_PIXEL = 0.02  # lengths are rounded to two decimals


@pytest.mark.parametrize(
    ("deviation", "expanded", "lie"),
    [
        (0.0, 0.1, "inside"),
        (0.15, 0.1, "inside"),
        (-0.2, 0.06, "straddling"),
        (0.3, 0.06, "straddling"),
        (0.4, 0.1, "outside"),
        (0.0, 0.9, "straddling"),
        (None, 0.1, "empty"),
        (0.1, None, "empty"),
        (math.nan, 0.1, "empty"),
        (0.1, math.inf, "empty"),
        (0.1, -0.1, "empty"),
    ],
)
def test_the_interval_lies_where_its_ends_lie(deviation: float | None, expanded: float | None, lie: str) -> None:
    assert lie_of(deviation, expanded, 0.25) == lie


@pytest.mark.parametrize("tolerance", [None, 0.0, -1.0, math.nan])
def test_without_a_tolerance_the_scale_is_empty(tolerance: float | None) -> None:
    mark = interval_mark(0.1, 0.05, tolerance)
    assert (mark.lie, mark.dot_x, mark.whisker) == ("empty", None, None)


def test_a_deviation_of_half_the_tolerance_stands_half_way_to_the_limit() -> None:
    mark = interval_mark(0.125, 0.05, 0.25)
    assert mark.dot_x == pytest.approx((mark.centre + mark.zone[1]) / 2, abs=A_PIXEL)


def test_a_deviation_off_the_scale_stands_behind_the_broken_line() -> None:
    mark = interval_mark(-5.3, 0.04, 0.25)
    assert mark.off == -1
    assert mark.dot_x is not None
    assert mark.dot_x < mark.break_x < mark.axis[0]


def test_a_whisker_that_reaches_back_into_the_scale_ends_where_it_should() -> None:
    mark = interval_mark(1.9, 1.5, 0.25)
    unit = (mark.zone[1] - mark.zone[0]) / 2
    assert mark.whisker is not None
    assert mark.whisker[0] == pytest.approx(mark.centre + 0.4 / 0.25 * unit, abs=A_PIXEL)
    assert mark.open_high


@given(angles, widths, limits, sizes)
def test_everything_stays_on_the_paper(
    deviation: float, expanded: float, tolerance: float, size: drawing.MarkSize
) -> None:
    mark = interval_mark(deviation, expanded, tolerance, size=size)
    assert mark.dot_x is not None
    assert mark.whisker is not None
    assert size.dot_radius <= mark.dot_x <= size.width - size.dot_radius
    assert 0 <= mark.whisker[0] <= mark.dot_x <= mark.whisker[1] <= size.width


@given(angles, widths, limits, sizes)
def test_the_drawing_says_what_the_figures_say(
    deviation: float, expanded: float, tolerance: float, size: drawing.MarkSize
) -> None:
    mark = interval_mark(deviation, expanded, tolerance, size=size)
    assert mark.whisker is not None
    low, high = mark.whisker
    if mark.lie == "inside":
        assert mark.zone[0] - A_PIXEL <= low
        assert high <= mark.zone[1] + A_PIXEL
    elif mark.lie == "outside":
        assert high <= mark.zone[0] + A_PIXEL or low >= mark.zone[1] - A_PIXEL
    else:
        assert low <= mark.zone[0] + A_PIXEL or high >= mark.zone[1] - A_PIXEL
        assert high >= mark.zone[0] - A_PIXEL
        assert low <= mark.zone[1] + A_PIXEL


@given(st.floats(-SPAN, SPAN), st.floats(0, SPAN), limits, sizes)
def test_on_the_scale_the_dot_is_to_scale(times: float, half: float, tolerance: float, size: drawing.MarkSize) -> None:
    assume(abs(times) < SPAN - 1e-9)
    mark = interval_mark(times * tolerance, half * tolerance, tolerance, size=size)
    unit = (mark.zone[1] - mark.zone[0]) / 2
    assert mark.off == 0
    assert mark.dot_x == pytest.approx(mark.centre + times * unit, abs=3 * A_PIXEL)


@given(angles, widths, limits, sizes)
def test_the_other_sign_is_the_mirror_image(
    deviation: float, expanded: float, tolerance: float, size: drawing.MarkSize
) -> None:
    one = interval_mark(deviation, expanded, tolerance, size=size)
    other = interval_mark(-deviation, expanded, tolerance, size=size)
    assert one.dot_x is not None
    assert other.dot_x is not None
    assert one.dot_x + other.dot_x == pytest.approx(size.width, abs=A_PIXEL)
    assert (one.open_low, one.open_high) == (other.open_high, other.open_low)


def test_the_line_of_states_has_one_now() -> None:
    line = drawing.state_line(["requested", "planned", "closed"], "planned")
    assert [stop.place for stop in line] == ["past", "now", "ahead"]
    assert {stop.place for stop in drawing.state_line(["requested", "planned"], "cancelled")} == {"ahead"}
