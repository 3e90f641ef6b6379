"""The plan as drawn for paper: every order is named above its bars, and no two names touch."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.planning.sheets import LABEL, LETTER, WIDE, Week, sheet

ZONE = ZoneInfo("Europe/London")
MONDAY = datetime(2026, 3, 16, 6, 0, tzinfo=UTC)
BAYS = [{"id": "place-1", "kind": "bay"}, {"id": "place-2", "kind": "bay"}, {"id": "person-1", "kind": "person"}]
NAMES = {"place-1": "Bay 1", "place-2": "Bay 2", "person-1": "Tom Turner", "BY-1": "K7 7003", "BY-2": "R4 4107",
         "BY-1/set": "set of K7 7003"}  # fmt: skip


def booked(order: str, code: str, hour: float, hours: float, *resources: str) -> tuple[str, dict[str, object]]:
    start = MONDAY + timedelta(hours=hour)
    return f"{order}/{code}", {"start": start.isoformat(), "end": (start + timedelta(hours=hours)).isoformat(),
                               "resources": list(resources)}  # fmt: skip


def line(week: Week, name: str) -> list[str]:
    return [one.words for one in next(one for one in week.lines if one.name == name).names]


def test_each_order_is_named_once_above_its_bars_that_follow_each_other() -> None:
    bookings = dict([
        booked("BY-1", "set", 0, 2, "place-1", "person-1"), booked("BY-1", "as-left", 2, 1, "place-1", "person-1"),
        booked("BY-2", "set", 3, 2, "place-2", "person-1"), booked("BY-1", "restore", 26, 1, "place-1", "person-1"),
    ])  # fmt: skip
    (week,) = sheet(bookings, BAYS, NAMES, ZONE).weeks
    assert line(week, "Bay 1") == ["K7 7003"]
    assert line(week, "Bay 2") == ["R4 4107"]
    assert line(week, "Tom Turner") == ["K7 7003", "R4 4107", "K7 7003"]
    assert week.title == "Mon 2026-03-16 to Tue 2026-03-17"     # its own days alone


def test_a_plan_that_ends_within_the_week_has_the_whole_sheet_for_its_days() -> None:
    (short,) = sheet(dict([booked("BY-1", "set", 0, 2, "place-1")]), BAYS, NAMES, ZONE).weeks
    (longer,) = sheet(dict([booked("BY-1", "set", 0, 2, "place-1"), booked("BY-2", "set", 100, 2, "place-1")]),
                      BAYS, NAMES, ZONE).weeks
    assert [len(one.ticks) for one in (short, longer)] == [2, 5]
    widths = [one.lines[0].bars[0].width for one in (short, longer)]
    assert widths[0] / widths[1] == pytest.approx(5 / 2, rel=1e-3)


def test_a_bar_is_as_wide_as_it_is_long_also_in_the_week_in_which_the_clock_changes() -> None:
    bookings = dict([booked("BY-1", "set", 0, 24, "place-1"), booked("BY-2", "set", 13 * 24, 24, "place-1")])
    first, second = sheet(bookings, BAYS, NAMES, ZONE).weeks
    widths = [one.lines[0].bars[0].width for one in (first, second)]
    day, hour = (WIDE - LABEL) / 7, (WIDE - LABEL) / (7 * 24 - 1)
    assert widths == [pytest.approx(day, abs=0.02), pytest.approx(17 * hour, abs=0.02)]  # it ends with the sheet


def test_rows_are_in_the_order_of_their_starts_with_words_for_every_id() -> None:
    bookings = dict([booked("BY-2", "set", 3, 2, "place-2"), booked("BY-1", "set", 0, 2, "place-1", "person-1")])
    rows = sheet(bookings, BAYS, NAMES, ZONE).rows
    assert rows[0] == ("K7 7003", "set", "Mon 2026-03-16 06:00", "Mon 2026-03-16 08:00", "Bay 1, Tom Turner")
    assert rows[1][0] == "R4 4107"


def test_without_bookings_there_is_nothing_to_draw() -> None:
    assert sheet({}, BAYS, NAMES, ZONE).weeks == ()


@given(st.lists(st.tuples(st.integers(0, 330), st.integers(0, 12)), min_size=1, max_size=40))
def test_no_two_names_touch_and_none_leaves_the_sheet(spans: list[tuple[int, int]]) -> None:
    bookings = dict(booked(f"BY-{number}", "set", hour, hours, "place-1") for number, (hour, hours) in enumerate(spans))
    names = {f"BY-{number}": f"K7 70{number:02}" for number in range(len(spans))}
    for week in sheet(bookings, BAYS, names, ZONE).weeks:
        found = week.lines[0].names
        for one in found:
            assert LABEL <= one.x <= one.x + len(one.words) * LETTER <= WIDE + 0.01
            assert week.lines[0].y < one.y < week.lines[0].bar_y
        for one, two in ((a, b) for a in found for b in found if a is not b and a.y == b.y):
            assert one.x + len(one.words) * LETTER <= two.x + 0.02 or two.x + len(two.words) * LETTER <= one.x + 0.02
