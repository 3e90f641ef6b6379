"""Shift patterns turned into working time: by example on the nasty days, by property on all the others."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.planning.shifts import Shift, Span, Worked, merged, spans, without

LONDON = ZoneInfo("Europe/London")
NIGHTS = [Shift(1, day, time(22), 480) for day in range(7)]


def worked(shifts: list[Shift], *, weeks: int = 1, first_week: int = 1, since: date = date(2026, 1, 5)) -> Worked:
    return Worked(shifts, weeks, first_week, since)


def of_day(shifts: list[Shift], day: date, zone: ZoneInfo = LONDON) -> list[Span]:
    return spans(worked(shifts), begin=day, end=day, without=set(), zone=zone)


def local(span: Span, zone: ZoneInfo = LONDON) -> tuple[str, str]:
    start, end = (f"{at.astimezone(zone):%d %H:%M}" for at in span)
    return start, end


def test_a_shift_over_midnight_ends_on_the_next_day() -> None:
    [span] = of_day(NIGHTS, date(2026, 6, 3))
    assert local(span) == ("03 22:00", "04 06:00")


@pytest.mark.parametrize(
    ("evening", "ends"),
    [(date(2026, 3, 28), "29 07:00"), (date(2026, 10, 24), "25 05:00"), (date(2026, 3, 29), "30 06:00")],
)
def test_a_night_shift_keeps_its_length_through_a_clock_change(evening: date, ends: str) -> None:
    [span] = of_day(NIGHTS, evening)
    assert span[1] - span[0] == timedelta(hours=8)
    assert local(span)[1] == ends


@pytest.mark.parametrize(
    ("day", "begins", "minutes"),
    [
        # From midnight to 08:00 on the wall is 7 h in spring and 9 h in autumn; a shift of 8 h ends at 09:00 and 07:00.
        (date(2026, 3, 29), "29 00:00", 480),
        (date(2026, 10, 25), "25 00:00", 480),
    ],
)
def test_a_shift_that_begins_before_the_change_on_the_same_day(day: date, begins: str, minutes: int) -> None:
    [span] = of_day([Shift(1, day.weekday(), time(0), minutes)], day)
    assert local(span)[0] == begins
    assert (span[1] - span[0]).total_seconds() == minutes * 60


def test_a_start_that_the_clock_leaps_over_is_taken_an_hour_later_on_the_wall() -> None:
    [span] = of_day([Shift(1, 6, time(1, 30), 60)], date(2026, 3, 29))
    assert span[0] == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)
    assert local(span) == ("29 02:30", "29 03:30")


def test_a_start_that_the_clock_tells_twice_is_taken_the_first_time() -> None:
    [span] = of_day([Shift(1, 6, time(1, 30), 60)], date(2026, 10, 25))
    assert span[0] == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_no_shift_begins_on_a_day_without_shifts_but_the_night_before_runs_to_its_end() -> None:
    begin, end = date(2026, 12, 24), date(2026, 12, 26)
    found = spans(worked(NIGHTS), begin=begin, end=end, without={date(2026, 12, 25)}, zone=LONDON)
    assert [local(span) for span in found] == [("24 22:00", "25 06:00"), ("26 22:00", "27 06:00")]


def test_weeks_come_in_turn_from_the_week_in_which_the_rota_begins() -> None:
    early, late = Shift(1, 0, time(6), 480), Shift(2, 0, time(14), 480)
    two_weeks = worked([early, late], weeks=2, first_week=2)
    found = spans(two_weeks, begin=date(2026, 1, 5), end=date(2026, 1, 25), without=set(), zone=LONDON)
    assert [local(span)[0] for span in found] == ["05 14:00", "12 06:00", "19 14:00"]


def test_a_rota_that_begins_in_the_middle_of_a_week_counts_that_week_whole() -> None:
    shifts = [Shift(week, day, time(6 if week == 1 else 14), 60) for week in (1, 2) for day in range(5)]
    midweek = worked(shifts, weeks=2, since=date(2026, 1, 7))
    found = spans(midweek, begin=date(2026, 1, 1), end=date(2026, 1, 12), without=set(), zone=LONDON)
    assert [local(span)[0] for span in found] == ["07 06:00", "08 06:00", "09 06:00", "12 14:00"]


def test_nothing_is_worked_after_the_last_day() -> None:
    ended = Worked(NIGHTS, 1, 1, date(2026, 1, 5), date(2026, 1, 6))
    found = spans(ended, begin=date(2026, 1, 1), end=date(2026, 1, 31), without=set(), zone=LONDON)
    assert [local(span)[0] for span in found] == ["05 22:00", "06 22:00"]


def test_shifts_that_touch_are_one_stretch() -> None:
    shifts = [Shift(1, 0, time(6), 480), Shift(1, 0, time(14), 480)]
    [span] = of_day(shifts, date(2026, 6, 1))
    assert local(span) == ("01 06:00", "01 22:00")


def test_an_absence_cuts_a_shift_in_two_and_an_open_one_takes_the_rest() -> None:
    at = datetime(2026, 6, 1, tzinfo=UTC)
    day = [(at, at + timedelta(hours=8))]
    middle = (at + timedelta(hours=3), at + timedelta(hours=4))
    assert without(day, [middle]) == [(at, middle[0]), (middle[1], at + timedelta(hours=8))]
    assert without(day, [(middle[0], None)]) == [(at, middle[0])]
    assert without(day, [(at - timedelta(hours=1), None)]) == []


# --- Properties ---------------------------------------------------------------------------------------

ZONES = st.sampled_from(["Europe/London", "Australia/Lord_Howe", "America/St_Johns", "Africa/Cairo", "UTC"])
# Shifts of a day that do not run into each other: at most ten hours from 01:00, then at most six from 13:00.
MORNING = st.builds(Shift, st.integers(1, 3), st.integers(0, 6), st.just(time(4)), st.integers(1, 540))
EVENING = st.builds(Shift, st.integers(1, 3), st.integers(0, 6), st.just(time(18)), st.integers(1, 540))
SHIFTS = st.lists(st.one_of(MORNING, EVENING), unique_by=lambda one: (one.week, one.weekday, one.starts))
DAYS = st.dates(date(2024, 1, 1), date(2028, 1, 1))
INSTANTS = st.integers(0, 3000).map(lambda count: datetime(2026, 3, 1, tzinfo=UTC) + timedelta(minutes=count))
SPANS = st.lists(st.tuples(INSTANTS, st.integers(1, 400)).map(lambda one: (one[0], one[0] + timedelta(minutes=one[1]))))


def minutes(given_spans: list[Span]) -> float:
    return sum((end - start).total_seconds() for start, end in given_spans) / 60


def covered(given_spans: list[Span], at: datetime) -> bool:
    return any(start <= at < end for start, end in given_spans)


@given(SHIFTS, DAYS, st.integers(1, 3), st.integers(0, 60), st.sets(st.integers(0, 60)), ZONES)
def test_every_shift_that_begins_counts_with_its_minutes_whatever_the_clock_does(
    shifts: list[Shift], since: date, first_week: int, count: int, off: set[int], zone: str
) -> None:
    end = since + timedelta(days=count)
    days = [since + timedelta(days=day) for day in range(count + 1)]
    free = {since + timedelta(days=day) for day in off}
    found = spans(
        Worked(shifts, 3, first_week, since), begin=since, end=end, without=free, zone=ZoneInfo(zone)
    )
    monday = since - timedelta(days=since.weekday())
    expected = sum(
        shift.minutes
        for day in days
        for shift in shifts
        if day not in free
        and shift.weekday == day.weekday()
        and shift.week == ((day - monday).days // 7 + first_week - 1) % 3 + 1
    )
    assert minutes(found) == expected
    assert all(start < stop and start.utcoffset() == timedelta(0) for start, stop in found)
    assert all(one[1] < other[0] for one, other in pairwise(found))


@given(SPANS)
def test_merged_covers_the_same_time_in_order_without_touching(given_spans: list[Span]) -> None:
    found = merged(given_spans)
    assert all(one[1] < other[0] for one, other in pairwise(found))
    edges = [at for span in [*given_spans, *found] for at in span]
    for at in [*edges, *(edge - timedelta(seconds=1) for edge in edges)]:
        assert covered(found, at) == covered(given_spans, at)
    assert merged(found) == found


@given(SPANS, st.lists(st.tuples(INSTANTS, st.one_of(st.none(), st.integers(0, 400)))))
def test_without_leaves_what_no_gap_covers(
    given_spans: list[Span], given_gaps: list[tuple[datetime, int | None]]
) -> None:
    stretches = merged(given_spans)
    gaps = [(start, None if lasts is None else start + timedelta(minutes=lasts)) for start, lasts in given_gaps]
    left = without(stretches, gaps)
    assert all(one[1] <= other[0] for one, other in pairwise(left))
    assert all(start < end for start, end in left)
    edges = [at for span in stretches for at in span] + [at for gap in gaps for at in gap if at is not None]
    for at in edges:
        gone = any(start <= at and (end is None or at < end) for start, end in gaps)
        assert covered(left, at) == (covered(stretches, at) and not gone)
