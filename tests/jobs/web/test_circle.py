"""Where the lines of the timing circle go."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.web import circle as circles
from jobs.web.circle import on_circle, timing_circle

limits = st.floats(0.01, 5, allow_nan=False)
A_PIXEL = 0.02  # lengths are rounded to two decimals


def test_angles_run_in_the_sense_of_rotation() -> None:
    right, left = on_circle(90, 10, clockwise=True), on_circle(90, 10, clockwise=False)
    assert right == (circles.CENTRE[0] + 10, circles.CENTRE[1])
    assert left == (circles.CENTRE[0] - 10, circles.CENTRE[1])


@pytest.mark.parametrize(
    ("half_widths", "factor"), [([0.25], 200), ([0.25, 0.65], 50), ([0.25, 12.0], 5), ([0.25, 179.9], 1)]
)
def test_the_exaggeration_is_the_largest_round_one_that_fits(half_widths: list[float], factor: int) -> None:
    assert circles.exaggeration_for(*half_widths) == factor


def test_as_found_stands_exaggerated_in_the_sense_of_rotation() -> None:
    circle = timing_circle(target_deg=140, tolerance_deg=0.25, clockwise=False, found={"as-found": (0.612, 0.041)})
    (ray,) = circle.rays
    assert circle.exaggeration == 50
    assert ray.drawn_deg == pytest.approx(30.6)
    assert ray.outer[0] < circle.centre[0]  # anticlockwise: a later angle stands to the left of the top


def test_the_encoder_scale_has_the_target_at_the_top() -> None:
    circle = timing_circle(target_deg=140, tolerance_deg=0.25, clockwise=True, found={})
    top = min(circle.ticks, key=lambda tick: tick.start[1])
    assert top.start == (circle.centre[0], circle.centre[1] - circle.radius)
    assert circle.ticks[14] == top  # 140° is the fifteenth tick of ten degrees


def test_labels_that_would_touch_are_left_to_the_key() -> None:
    circle = timing_circle(
        target_deg=0, tolerance_deg=0.25, clockwise=True, found={"as-found": (0.612, 0.04), "as-left": (0.61, 0.04)}
    )
    assert [ray.clear for ray in circle.rays] == [False, False]


@given(
    st.floats(0, 720), limits, st.booleans(),
    st.dictionaries(st.sampled_from(["as-found", "as-left"]), st.tuples(st.floats(-180, 180), st.floats(0, 90))),
)  # fmt: skip
def test_every_mark_of_the_circle_stays_on_the_paper(
    target: float, tolerance: float, clockwise: bool, found: dict[str, tuple[float, float]]
) -> None:
    circle = timing_circle(target_deg=target, tolerance_deg=tolerance, clockwise=clockwise, found=found)
    points = [point for ray in circle.rays for point in (ray.inner, ray.outer, ray.dot)]
    points += [tick.start for tick in circle.ticks] + [tick.end for tick in circle.limits]
    assert all(0 <= x <= circle.width and 0 <= y <= circle.height for x, y in points)
    assert all(abs(ray.deviation) * circle.exaggeration <= 180 for ray in circle.rays)


@given(limits, st.booleans(), st.floats(-60, 60))
def test_the_figure_at_a_limit_stands_clear_of_its_line_and_of_the_band(
    tolerance: float, clockwise: bool, found: float
) -> None:
    rounded = round(tolerance, 2)
    circle = timing_circle(target_deg=0, tolerance_deg=rounded, clockwise=clockwise, found={"as-found": (found, 0.02)})
    for limit in circle.limits:
        across, down = abs(limit.at[0] - circle.centre[0]), circle.centre[1] - limit.at[1]
        width = 7.6 * len(limit.text)  # 14 px of Atkinson Hyperlegible, whose figures are 7.6 px wide
        nearest = math.hypot(max(0, across - width / 2), down - 6)
        assert not limit.text or nearest > circles.BAND_OUT + 6
        assert limit.at[0] + width / 2 < circle.width


@given(st.floats(0, 720), st.booleans())
def test_the_figures_of_the_scale_stand_clear_of_its_ticks(target: float, clockwise: bool) -> None:
    circle = timing_circle(target_deg=target, tolerance_deg=0.25, clockwise=clockwise, found={})
    for tick in circle.ticks:
        across, down = abs(tick.at[0] - circle.centre[0]), abs(tick.at[1] - circle.centre[1])
        width = 6.6 * len(tick.text)  # 12 px of Atkinson Hyperlegible
        along = math.atan2(across, down)
        # How far out the box of the text reaches along the tick.
        reach = math.hypot(across, down) + width / 2 * math.sin(along) + 4 * math.cos(along)
        assert not tick.text or reach < circle.radius - 10


@given(st.floats(-170, 170), st.floats(1, 180), st.booleans())
def test_an_arc_ends_on_its_circle(start: float, width: float, clockwise: bool) -> None:
    path = circles.arc(start, start + width, 50, clockwise=clockwise)
    numbers = [float(number) for number in re.findall(r"-?\d+\.?\d*", path)]
    for x, y in (numbers[:2], numbers[-2:]):
        assert math.hypot(x - circles.CENTRE[0], y - circles.CENTRE[1]) == pytest.approx(50, abs=A_PIXEL)
