"""What a shift pattern may be, and how its shifts are typed."""

from __future__ import annotations

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.planning import drawn, typed
from jobs.planning.rules.calendars import MINUTES_A_WEEK, overlapping, why_not_shifts
from jobs.planning.shifts import Shift


def sentences(shifts: list[Shift], weeks: int = 1) -> list[str]:
    return [reason.sentence for reason in why_not_shifts(shifts, weeks)]


def test_two_shifts_that_overlap_are_named_by_their_places() -> None:
    shifts = [Shift(1, 1, time(22), 480), Shift(1, 2, time(5), 480)]
    assert sentences(shifts) == ["Week 1, Tuesday 22:00 and week 1, Wednesday 05:00 overlap."]


def test_the_last_night_of_a_pattern_may_not_run_into_its_first_morning() -> None:
    shifts = [Shift(1, 0, time(5), 60), Shift(2, 6, time(22), 480)]
    assert sentences(shifts, 2) == ["Week 2, Sunday 22:00 and week 1, Monday 05:00 overlap."]


def test_shifts_that_touch_do_not_overlap() -> None:
    assert sentences([Shift(1, 0, time(6), 480), Shift(1, 0, time(14), 480), Shift(1, 0, time(22), 480)]) == []


def test_a_shift_of_24_hours_every_day_overlaps_nothing() -> None:
    assert sentences([Shift(1, day, time(7), 1440) for day in range(7)]) == []


LENGTH = "a shift lasts from 1 minute to 24 hours"


@pytest.mark.parametrize(
    ("shift", "sentence"),
    [
        (Shift(2, 0, time(6), 60), "Week 2, Monday 06:00: the pattern has 1 week only."),
        (Shift(1, 0, time(6), 0), f"Week 1, Monday 06:00: {LENGTH}, not 0 minutes."),
        (Shift(1, 6, time(6), 1441), f"Week 1, Sunday 06:00: {LENGTH}, not 1441 minutes."),
        (Shift(1, 7, time(6), 60), "There is no weekday 7; Monday is 0 and Sunday 6."),
    ],
)
def test_a_shift_out_of_place_is_refused_with_the_place(shift: Shift, sentence: str) -> None:
    assert sentences([shift]) == [sentence]


def test_a_pattern_without_shifts_and_one_of_thirteen_weeks_are_refused() -> None:
    assert [one.code for one in why_not_shifts([], 1)] == ["no-shifts"]
    assert [one.field for one in why_not_shifts([Shift(1, 0, time(6), 60)], 13)] == ["weeks"]


PLACES = st.tuples(st.integers(1, 3), st.integers(0, 6), st.integers(0, 1439))
SHIFT = st.builds(
    lambda place, minutes: Shift(place[0], place[1], time(place[2] // 60, place[2] % 60), minutes),
    PLACES,
    st.integers(1, 1440),
)


@given(st.lists(SHIFT, max_size=8, unique_by=lambda one: (one.week, one.weekday, one.starts)))
def test_overlaps_are_found_where_a_minute_is_worked_twice(shifts: list[Shift]) -> None:
    worked_twice = [0] * (3 * MINUTES_A_WEEK)
    for one in shifts:
        begin = ((one.week - 1) * 7 + one.weekday) * 1440 + one.starts.hour * 60 + one.starts.minute
        for minute in range(begin, begin + one.minutes):
            worked_twice[minute % len(worked_twice)] += 1
    assert bool(overlapping(shifts, 3)) == (max(worked_twice) > 1)


@pytest.mark.parametrize(
    ("text", "shifts"),
    [
        ("06:00–14:00", [(time(6), 480)]),
        ("6-14", [(time(6), 480)]),
        ("22:00-06:00", [(time(22), 480)]),
        ("22:00 + 8 h", [(time(22), 480)]),
        ("22:00+7:30", [(time(22), 450)]),
        ("22.15 to 6.45", [(time(22, 15), 510)]),
        ("14:00–24:00", [(time(14), 600)]),
        ("06:00–06:00", [(time(6), 1440)]),
        ("06:00–10:00, 11:00–15:00", [(time(6), 240), (time(11), 240)]),
        ("", []),
    ],
)
def test_a_cell_is_read_as_it_is_typed(text: str, shifts: list[tuple[time, int]]) -> None:
    assert typed.read(text) == shifts


NO_SHIFTS = ["early", "25:00–14:00", "06:00", "06:00–14:60", "22:00 + 0 h", "22:00 + 25 h", "٦-١٤"]


@pytest.mark.parametrize("text", NO_SHIFTS)
def test_what_is_no_shift_is_refused_with_what_to_write(text: str) -> None:
    with pytest.raises(typed.NotAShift) as refused:
        typed.read(text)
    assert text.split(",")[0] in str(refused.value)


@given(SHIFT)
def test_what_is_written_is_read_again(shift: Shift) -> None:
    assert typed.read(typed.written([shift])) == [(shift.starts, shift.minutes)]


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        found = typed.read(text)
    except typed.NotAShift:
        return
    assert all(1 <= minutes <= 1440 for _, minutes in found)


@given(st.lists(SHIFT, max_size=8))
def test_the_drawing_shows_every_minute_to_scale_within_its_frame(shifts: list[Shift]) -> None:
    drawing = drawn.pattern(shifts, 3)
    bars = [bar for line in drawing.lines for bar in line.bars]
    # Two decimals for each bar, and a shift over the end of a week is two bars.
    tolerance = 0.01 * (2 * len(shifts) + 1)
    minutes = sum(one.minutes for one in shifts)
    assert sum(bar.width for bar in bars) == pytest.approx(minutes / 1440 * drawn.DAY, abs=tolerance)
    assert all(drawing.label <= bar.x and bar.x + bar.width <= drawing.width for bar in bars)
    assert sum(line.minutes for line in drawing.lines) == minutes
