"""Absences from iCalendar: each entry read by itself, series and their exceptions followed on their own clock."""

from __future__ import annotations

import time
from datetime import date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.planning.imports import icalfile
from jobs.planning.imports.entries import Entry, FileRefused
from tests.jobs.planning.importing import (
    AT,
    BAY,
    DIRECTORY,
    LONDON,
    PROBE,
    TWIN,
    UNA,
    WHEN,
    calendar,
    event,
    from_ical,
    utc,
    whole,
)


@pytest.mark.parametrize(
    ("lines", "starts_at", "ends_at"),
    [
        (["DTSTART:20260601T080000Z", "DTEND:20260601T120000Z"], utc(2026, 6, 1, 8), utc(2026, 6, 1, 12)),
        (["DTSTART:20260601T080000", "DTEND:20260601T120000"], utc(2026, 6, 1, 7), utc(2026, 6, 1, 11)),
        (["DTSTART;TZID=America/New_York:20260601T080000", "DURATION:PT2H"], utc(2026, 6, 1, 12), utc(2026, 6, 1, 14)),
        (["DTSTART;TZID=W. Europe Standard Time:20260601T080000", "DURATION:PT2H"], utc(2026, 6, 1, 6),
         utc(2026, 6, 1, 8)),
        (["DTSTART;VALUE=DATE:20260601", "DTEND;VALUE=DATE:20260603"], utc(2026, 5, 31, 23), utc(2026, 6, 2, 23)),
        (["DTSTART;VALUE=DATE:20260601"], utc(2026, 5, 31, 23), utc(2026, 6, 1, 23)),
        (["DTSTART;VALUE=DATE:20260329", "DURATION:P1D"], utc(2026, 3, 29), utc(2026, 3, 29, 23)),
    ],
)
def test_an_entry_is_read(lines: list[str], starts_at: datetime, ends_at: datetime) -> None:
    [found] = from_ical(event(*lines))
    assert (found.why, found.who, found.reason) == ("", UNA, "leave")
    assert (found.starts_at, found.ends_at) == (starts_at, ends_at)


@pytest.mark.parametrize(
    ("block", "why"),
    [
        (event(*WHEN, summary="Nobody: leave"), "Nobody and nothing in the shop is called “Nobody”."),
        (event("DTEND:20260601T120000Z"), "The entry has no DTSTART"),
        (event("DTSTART:20260601T080000Z"), "The entry has neither DTEND nor DURATION"),
        (event("DTSTART:20260601T120000Z", "DTEND:20260601T080000Z"), "It ends before it begins."),
        (event("DTSTART:20260601T120000Z", "DTEND;VALUE=DATE:20260603"), "DTSTART has a time and DTEND has none."),
        (event("DTSTART;VALUE=DATE:20260601", "DTEND;VALUE=DATE:20260601"), "A whole-day entry must last whole days"),
        (event("DTSTART;TZID=Nowhere/Else:20260601T080000", "DURATION:PT2H"), "The time zone Nowhere/Else is not in"),
        (event("DTSTART:tomorrow", "DURATION:PT2H"), "DTSTART cannot be read: it is not as iCalendar has it."),
        (event(*WHEN, "nonsense"), "The line “nonsense” cannot be read: it is not as iCalendar has it."),
        (event(*WHEN, "END:VTODO"), "The entry cannot be read: its lines are not as iCalendar has them."),
        (event("DTSTART:00010101T000000Z", "DURATION:PT2H"), "The year of DTSTART is 1"),
        (event("DTSTART:20260601T080000Z", "DURATION:PT1H", "DURATION:PT2H"), "The entry has DURATION twice."),
        (event("DTSTART:20260601T080000Z", "DURATION:P9999W"), "Its DURATION is nothing, or more than five years."),
        (event(*WHEN, "TRANSP:TRANSPARENT"), "It is marked as time that stays free"),
        (event(*WHEN, uid=""), "The entry has no UID"),
        (event(*WHEN, "RRULE:FREQ=SECONDLY"), "Its rule has FREQ=SECONDLY"),
        (event(*WHEN, "RRULE:FREQ=DAILY;BYHOUR=1,2"), "Its rule has BYHOUR"),
        (event(*WHEN, "RRULE:FREQ=DAILY", "RRULE:FREQ=WEEKLY"), "The entry has more than one RRULE"),
        (event(*WHEN, *["COMMENT:x"] * 300), "The entry has more than 200 lines."),
    ],
)
def test_an_entry_that_is_not_understood_says_why_and_holds_up_no_other(block: str, why: str) -> None:
    bad, good = from_ical(block, event(*WHEN, uid="two"))
    assert bad.why.startswith(why)
    assert (bad.line, good.why, good.who) == (4, "", UNA)


def test_a_file_cut_off_in_an_entry_keeps_the_entries_before() -> None:
    text = calendar(event(*WHEN), event(*WHEN, uid="two")).split("UID:two")[0]
    good, bad = icalfile.read(text, DIRECTORY, LONDON, whose=None, at=AT)
    assert (good.why, bad.why) == ("", "The entry is not ended by END:VEVENT; the file seems to be cut off.")


def test_who_is_away_is_told_by_the_planner_the_attendee_or_the_summary() -> None:
    asked = event(*WHEN, "ATTENDEE;CN=Una Farrow:mailto:u.f@example.org", summary="Course in Leeds")
    mailed = event(*WHEN, "ATTENDEE:mailto:technician2@example.org", summary="Course in Leeds")
    dashed = event(*WHEN, summary="PR-07 – at the maker")
    alone = event(*WHEN, summary="Bay 2")
    said = [(one.who, one.reason) for block in (asked, mailed, dashed, alone) for one in from_ical(block)]
    assert said == [(UNA, "Course in Leeds"), (UNA, "Course in Leeds"), (PROBE, "at the maker"), (BAY, "")]
    [whole] = from_ical(event(*WHEN, summary="Dentist"), whose=TWIN)
    assert (whole.who, whole.reason) == (TWIN, "Dentist")


def test_folded_lines_and_escapes_are_read() -> None:
    [found] = from_ical(event(*WHEN, summary="Una Far\r\n row: leave\\, with \r\n rest"))
    assert (found.who, found.reason) == (UNA, "leave, with rest")


def starts(entries: list[Entry]) -> list[datetime]:
    return [one.starts_at for one in entries if one.starts_at is not None]


def test_what_comes_again_keeps_its_time_on_the_clock_through_a_change() -> None:
    weekly = event("DTSTART;TZID=Europe/London:20260323T220000", "DURATION:PT8H", "RRULE:FREQ=WEEKLY;COUNT=3")
    found = from_ical(weekly)
    assert starts(found) == [utc(2026, 3, 23, 22), utc(2026, 3, 30, 21), utc(2026, 4, 6, 21)]
    assert all(one.ends_at - one.starts_at == timedelta(hours=8) for one in found if one.ends_at and one.starts_at)
    assert len({one.uid for one in found}) == 3


@pytest.mark.parametrize(
    ("lines", "days"),
    [
        (["RRULE:FREQ=DAILY;UNTIL=20260603"], [1, 2, 3]),
        (["RRULE:FREQ=DAILY;COUNT=4", "EXDATE;VALUE=DATE:20260602"], [1, 3, 4]),
        (["RDATE;VALUE=DATE:20260607,20260609"], [1, 7, 9]),
        (["RRULE:FREQ=MONTHLY;BYDAY=1MO;COUNT=1"], [1]),
        (["RRULE:FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"], [1]),  # a day that never comes; the search ends
        (["RRULE:FREQ=DAILY;COUNT=3;BYMONTH=2;BYMONTHDAY=30"], [1]),
    ],
)
def test_rules_dates_and_exceptions(lines: list[str], days: list[int]) -> None:
    found = from_ical(event("DTSTART;VALUE=DATE:20260601", *lines))
    assert [one.astimezone(LONDON).date() for one in starts(found)] == [date(2026, 6, day) for day in days]


def test_a_search_for_a_day_that_never_comes_ends_soon() -> None:
    never = event("DTSTART:20200101T080000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30")
    began = time.perf_counter()
    [found] = from_ical(never)
    # It takes a third of a second; to the year 9999 from here it would be six, and more on a busy machine.
    assert time.perf_counter() - began < 3
    assert (found.cancelled, found.since) == (True, AT)


def test_a_file_with_too_many_series_is_refused() -> None:
    series = [event(*WHEN, "RRULE:FREQ=YEARLY;COUNT=1", uid=str(number)) for number in range(201)]
    with pytest.raises(FileRefused, match="More than 200 entries"):
        from_ical(*series)


def test_a_series_without_end_is_followed_from_a_month_ago_for_two_years() -> None:
    found = starts(from_ical(event("DTSTART;VALUE=DATE:20200106", "RRULE:FREQ=WEEKLY")))
    assert found[0] >= AT - timedelta(days=31)
    assert AT + timedelta(days=725) < found[-1] <= AT + timedelta(days=732)
    assert 104 <= len(found) <= 110


def test_one_time_of_a_series_stated_anew_takes_its_place() -> None:
    series = event("DTSTART:20260601T080000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=3")
    moved = event("RECURRENCE-ID:20260602T080000Z", "DTSTART:20260602T150000Z", "DURATION:PT1H")
    found = from_ical(series, moved)
    assert sorted(starts(found)) == [utc(2026, 6, 1, 8), utc(2026, 6, 2, 15), utc(2026, 6, 3, 8)]
    assert len({one.uid for one in found}) == 3


def test_something_that_is_no_calendar_is_refused() -> None:
    with pytest.raises(FileRefused, match="no BEGIN:VCALENDAR"):
        icalfile.read("hello", DIRECTORY, LONDON, whose=None, at=AT)


# --- Whatever comes -----------------------------------------------------------------------------------

LINE = st.one_of(
    st.text(max_size=30),
    st.sampled_from([
        "DTSTART:20260601T080000Z", "DTEND:20260601T120000Z", "DTSTART;VALUE=DATE:20260601",
        "DTSTART;TZID=x:20260601T",
        "DURATION:PT2H", "DURATION:-P1W", "RRULE:FREQ=DAILY", "RRULE:FREQ=YEARLY;INTERVAL=0",
        "RRULE:FREQ=WEEKLY;BYDAY=XX", "RRULE:FREQ=DAILY;COUNT=-1", "RRULE:FREQ=MONTHLY;BYMONTHDAY=31", "RRULE:",
        "EXDATE:20260602T080000Z", "RDATE;VALUE=PERIOD:20260602T080000Z/PT1H", "STATUS:CANCELLED",
        "DURATION:P999999999D", "RECURRENCE-ID:20260601T080000Z", "BEGIN:VALARM", "END:VALARM", "BEGIN:VEVENT",
        "END:VEVENT", "TRANSP:OPAQUE", "ATTENDEE;CN=Una Farrow:mailto:x", "UID:two",
        "DTSTART:99991231T235959Z", "DTSTART:19700101T000000", "RRULE:FREQ=DAILY;UNTIL=20260101;COUNT=9999999",
    ]),
)  # fmt: skip


@given(st.lists(LINE, max_size=8), st.lists(LINE, max_size=8))
def test_any_calendar_is_read_or_refused(one: list[str], other: list[str]) -> None:
    try:
        found = from_ical(event(*one), event(*other, uid="two"))
    except FileRefused:
        return
    whole(found)


@given(st.integers(0, 400), st.sampled_from(["\x00", "\r", "\n", ":", ";", "9", "é", "BEGIN:VEVENT\r\n"]))
def test_a_calendar_damaged_at_any_place_is_read_or_refused(place: int, mark: str) -> None:
    good = calendar(event(*WHEN, "RRULE:FREQ=WEEKLY;COUNT=2"), event("DTSTART;VALUE=DATE:20260601", uid="two"))
    place = min(place, len(good))
    try:
        found = icalfile.read(good[:place] + mark + good[place:], DIRECTORY, LONDON, whose=None, at=AT)
    except FileRefused:
        return
    whole(found)
