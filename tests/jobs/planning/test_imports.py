"""Absences that come as CSV and iCalendar: each line read by itself, shown first, taken once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from jobs.ledger.models import Entry as LedgerEntry
from jobs.people.models import Person, Shop
from jobs.planning import reading
from jobs.planning.imports import csvfile, icalfile
from jobs.planning.imports.entries import MOST_BYTES, Entry, FileRefused, decoded
from jobs.planning.models import Absence, Place
from jobs.planning.naming import Directory
from jobs.tooling.models import Instrument

Login = Callable[[Person], Client]
LONDON = ZoneInfo("Europe/London")
AT = datetime(2026, 3, 16, 8, 20, tzinfo=UTC)
UNA = Person(pk=1, username="technician2", name="Una Farrow")
TWIN = Person(pk=2, username="tw", name="Sam Reed")
OTHER_TWIN = Person(pk=3, username="tw2", name="Sam Reed")
BAY = Place(pk=1, name="Bay 2")
PROBE = Instrument(pk=1, asset_number="PR-07")
DIRECTORY = Directory([UNA, TWIN, OTHER_TWIN, BAY, PROBE])


def from_csv(*lines: str) -> list[Entry]:
    return csvfile.read("\n".join(["who,from,until,reason", *lines]), DIRECTORY, LONDON)


def event(*lines: str, uid: str = "one", summary: str = "Una Farrow: leave") -> str:
    return "\r\n".join(["BEGIN:VEVENT", f"UID:{uid}", f"SUMMARY:{summary}", *lines, "END:VEVENT"])


def calendar(*events: str) -> str:
    return "\r\n".join(["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//", *events, "END:VCALENDAR", ""])


def from_ical(*events: str, whose: Person | None = None, at: datetime = AT) -> list[Entry]:
    return icalfile.read(calendar(*events), DIRECTORY, LONDON, whose=whose, at=at)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc,arg-type]


# --- CSV ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "starts_at", "ends_at"),
    [
        ("technician2,2026-06-01,2026-06-03,leave", utc(2026, 5, 31, 23), utc(2026, 6, 3, 23)),
        ("Una Farrow,1.6.2026,3.6.2026,leave", utc(2026, 5, 31, 23), utc(2026, 6, 3, 23)),
        ("una  farrow,2026-06-01 14:00,2026-06-01 18:30,", utc(2026, 6, 1, 13), utc(2026, 6, 1, 17, 30)),
        ("Bay 2,2026-01-05,2026-01-05,", utc(2026, 1, 5), utc(2026, 1, 6)),
        ("PR-07,2026-06-01T14:00+02:00,,lent", utc(2026, 6, 1, 12), None),
        # The day on which the clock goes forward has 23 hours, the one on which it goes back 25.
        ("pr-07,2026-03-29,2026-03-29,", utc(2026, 3, 29), utc(2026, 3, 29, 23)),
        ("pr-07,2026-10-25,2026-10-25,", utc(2026, 10, 24, 23), utc(2026, 10, 26)),
        # 01:30 is told twice: away from the first until the second.
        ("pr-07,2026-10-25 01:30,2026-10-25 01:30,", utc(2026, 10, 25, 0, 30), utc(2026, 10, 25, 1, 30)),
    ],
)
def test_a_line_is_read(line: str, starts_at: datetime, ends_at: datetime | None) -> None:
    [found] = from_csv(line)
    assert (found.why, found.starts_at, found.ends_at) == ("", starts_at, ends_at)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (",2026-06-01,,", "It does not say who or what is away."),
        ("Nobody,2026-06-01,,", "Nobody and nothing in the shop is called “Nobody”."),
        ("Sam Reed,2026-06-01,,", "“Sam Reed” may be tw or tw2; write that."),
        ("PR-07,,,", "It does not say from when."),
        ("PR-07,6/1/2026,,", "“6/1/2026” is no day or time. Write 2026-12-01 for a whole day"),
        ("PR-07,2026-02-30,,", "There is no 2026-02-30 in the calendar."),
        ("PR-07,2026-06-01 25:00,,", "There is no 2026-06-01 25:00 in the calendar."),
        ("PR-07,2026-03-29 01:30,,", "On 2026-03-29 the clock leaps over 01:30"),
        ("PR-07,2026-06-02,2026-06-01,", "It ends before it begins."),
        ("PR-07,0026-06-02,,", "The year 26 is out of range"),
        ("PR-07,2026-06-01,,,x,y", "It has 6 values for 4 columns."),
    ],
)
def test_a_line_that_is_not_understood_says_why_and_holds_up_no_other(line: str, why: str) -> None:
    bad, good = from_csv(line, "technician2,2026-06-01,2026-06-03,leave")
    assert bad.why.startswith(why)
    assert (bad.line, good.line, good.why) == (2, 3, "")


def test_semicolons_any_order_of_columns_a_mark_and_empty_lines_are_taken() -> None:
    text = decoded("\ufeffReason;WHO;until;from\r\n\r\n;PR-07;;2026-06-01\r\n".encode())
    [found] = csvfile.read(text, DIRECTORY, LONDON)
    assert (found.who, found.line, found.ends_at) == (PROBE, 3, None)


def test_a_quoted_cell_over_two_lines_keeps_the_numbers_of_the_lines_right() -> None:
    first, second = from_csv('PR-07,2026-06-01,,"two\nlines"', "Nobody,2026-06-01,,")
    assert (first.line, first.reason, second.line) == (2, "two lines", 4)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (b"", "The file is empty."),
        (b"name,day\nx,y\n", "it lacks who and from"),
        (b"who,from,from\n", "names the column from twice"),
        (b"who,from\nM\xfcller,2026-01-01\n", "not text in UTF-8 (byte 11)"),
        (b"who,from\n\x00,2026\n", "zero byte"),
        (b'who,from\n"x,2026-01-01\n', "Line 2 cannot be read as CSV"),
        (b"x" * (MOST_BYTES + 1), "512 kB is the most"),
        (b"who,from\n" + b"PR-07,2026-01-01\n" * 2001, "more than 2000 lines"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_with_what_to_do(content: bytes, why: str) -> None:
    with pytest.raises(FileRefused) as refused:
        csvfile.read(decoded(content), DIRECTORY, LONDON)
    assert why in str(refused.value)


# --- iCalendar ----------------------------------------------------------------------------------------


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


WHEN = ("DTSTART:20260601T080000Z", "DTEND:20260601T120000Z")


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
        (event("DTSTART:tomorrow", "DURATION:PT2H"), "DTSTART cannot be read"),
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


def whole(found: list[Entry]) -> None:
    """Every entry either says why it is not understood, is cancelled, or is a proper absence."""
    for one in found:
        assert one.line >= 1
        if one.why or one.cancelled:
            continue
        assert one.who is not None
        assert one.starts_at is not None
        assert one.ends_at is None or one.ends_at > one.starts_at
        assert one.uid
        assert len(one.uid) <= 255
        assert len(one.reason) <= 120


CELL = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["PR-07", "Una Farrow", "2026-06-01", "2026-06-03", "1.6.2026", "2026-03-29 01:30", "", '"', ","]),
    st.dates().map(str),
    st.datetimes().map(str),
)


@given(st.lists(st.lists(CELL, max_size=6), max_size=8), st.sampled_from([",", ";"]), st.sampled_from(["\n", "\r\n"]))
def test_any_csv_is_read_or_refused(rows: list[list[str]], delimiter: str, newline: str) -> None:
    text = newline.join([delimiter.join(["who", "from", "until", "reason"]), *(delimiter.join(row) for row in rows)])
    try:
        found = csvfile.read(decoded(text.encode("utf-8", "surrogatepass")), DIRECTORY, LONDON)
    except FileRefused:
        return
    whole(found)


@given(st.binary(max_size=300))
def test_any_bytes_are_text_or_refused(content: bytes) -> None:
    try:
        text = decoded(content)
        whole(csvfile.read(text, DIRECTORY, LONDON))
    except FileRefused:
        return


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


# --- Shown first, taken once --------------------------------------------------------------------------


def read(text: str, shop: Shop, *, at: datetime = AT, whose: Person | None = None) -> reading.Read:
    return reading.of_text(text, file_name="x", whose=whose, shop=shop, at=at)


def take(text: str, shop: Shop, by: Person, *, whose: Person | None = None) -> dict[str, int]:
    seen = read(text, shop, whose=whose).digest
    return reading.taken(text=text, file_name="x", whose=whose, seen=seen, shop=shop, by=by, at=AT)


def verdicts(text: str, shop: Shop) -> list[str]:
    return [line.verdict for line in read(text, shop).lines]


LEAVE = "who,from,until,reason,uid\ntechnician,2026-06-01,2026-06-03,leave,L1\nNobody,2026-06-01,,,\n"


@pytest.mark.django_db
def test_an_import_made_twice_doubles_nothing(brackwater: Shop, planner: Person, technician: Person) -> None:
    assert take(LEAVE, brackwater, planner) == {"new": 1, "bad": 1}
    assert verdicts(LEAVE, brackwater) == ["there", "bad"]
    assert Absence.objects.count() == 1
    entry = LedgerEntry.objects.get(kind="absence.imported")
    assert entry.sentence == "Absences imported from x: 1 new, 1 not understood."


@pytest.mark.django_db
def test_a_line_with_other_times_withdraws_the_absence_and_enters_it_anew(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    take(LEAVE, brackwater, planner)
    longer = LEAVE.replace("2026-06-03", "2026-06-05")
    assert verdicts(longer, brackwater) == ["changed", "bad"]
    take(longer, brackwater, planner)
    old, new = Absence.objects.order_by("pk")
    assert (old.withdrawn_by, new.withdrawn_at, new.ends_at) == (planner, None, utc(2026, 6, 5, 23))
    assert old.uid == new.uid


@pytest.mark.django_db
def test_a_line_without_uid_that_is_entered_by_hand_already_is_there(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    from jobs.planning.actions import absences

    absences.enter_absence(
        shop=brackwater, who=technician, starts_at=utc(2026, 5, 31, 23), ends_at=utc(2026, 6, 3, 23), by=planner, at=AT
    )
    text = "who,from,until\ntechnician,2026-06-01,2026-06-03\n"
    assert verdicts(text, brackwater) == ["there"]


@pytest.mark.django_db
def test_two_lines_with_one_identification_are_told_apart(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    text = "who,from,uid\ntechnician,2026-06-01,A\ntechnician,2026-07-01,A\n"
    [first, second] = read(text, brackwater).lines
    assert (first.verdict, second.why) == ("new", "It has the same identification as line 2.")


@pytest.mark.django_db
def test_a_cancelled_entry_withdraws_every_time_of_its_series(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    when = ("DTSTART:20260601T080000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=3")
    series = event(*when, summary="technician: course")
    assert take(calendar(series), brackwater, planner) == {"new": 3}
    cancelled = calendar(event("STATUS:CANCELLED"))
    assert verdicts(cancelled, brackwater) == ["withdrawn"]
    take(cancelled, brackwater, planner)
    assert not Absence.objects.filter(withdrawn_at__isnull=True).exists()
    assert verdicts(cancelled, brackwater) == ["there"]


@pytest.mark.django_db
def test_a_series_that_grew_shorter_withdraws_what_it_has_no_longer(
    brackwater: Shop, planner: Person, technician: Person
) -> None:
    when = ("DTSTART:20260601T080000Z", "DURATION:PT1H")
    take(calendar(event(*when, "RRULE:FREQ=DAILY;COUNT=4", summary="technician: course")), brackwater, planner)
    left = ("RRULE:FREQ=DAILY;COUNT=3", "EXDATE:20260602T080000Z")
    shorter = calendar(event(*when, *left, summary="technician: course"))
    assert sorted(verdicts(shorter, brackwater)) == ["there", "there", "withdrawn", "withdrawn"]
    take(shorter, brackwater, planner)
    assert Absence.objects.filter(withdrawn_at__isnull=True).count() == 2


def upload(text: str, name: str = "leave.csv") -> SimpleUploadedFile:
    return SimpleUploadedFile(name, text.encode())


@pytest.mark.django_db
def test_nothing_is_taken_before_the_planner_says_so(
    login: Login, planner: Person, technician: Person, brackwater: Shop
) -> None:
    client = login(planner)
    shown = client.post("/plan/absences/import/", {"file": upload(LEAVE), "whose": ""})
    assert shown.status_code == 200
    assert "1 new, 1 not understood." in shown.text
    assert "Nobody and nothing in the shop is called “Nobody”." in shown.text
    assert not Absence.objects.exists()
    found = shown.context["found"]
    sent = {"text": found.text, "seen": found.digest, "file_name": "leave.csv", "whose": ""}
    assert client.post("/plan/absences/import/", sent).status_code == 302
    assert Absence.objects.get().reason == "leave"
    again = client.post("/plan/absences/import/", sent)
    assert again.status_code == 409
    assert "changed since these lines were shown" in again.text
    assert "1 already there, 1 not understood." in again.text
    assert Absence.objects.count() == 1


@pytest.mark.django_db
def test_a_calendar_of_one_person_needs_no_names(login: Login, planner: Person, technician: Person) -> None:
    text = calendar(event(*WHEN, summary="Dentist"))
    sent = {"file": upload(text, "t.ics"), "whose": f"person-{technician.pk}"}
    shown = login(planner).post("/plan/absences/import/", sent)
    found = shown.context["found"]
    # What a browser sends back has its own line ends.
    sent = {"text": found.text.replace("\r\n", "\n").replace("\n", "\r\n"), "seen": found.digest,
            "whose": f"person-{technician.pk}", "file_name": "t.ics"}  # fmt: skip
    assert f'name="whose" value="person-{technician.pk}"' in shown.text
    assert login(planner).post("/plan/absences/import/", sent).status_code == 302
    assert Absence.objects.get().person == technician


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("content", "status", "said"),
    [("x" * (MOST_BYTES + 1), 413, "512 kB is the most"), ("a,b\n", 422, "it lacks who and from"), ("", 422, "empty")],
)
def test_a_file_that_cannot_be_read_is_refused_at_its_field(
    login: Login, planner: Person, content: str, status: int, said: str
) -> None:
    answer = login(planner).post("/plan/absences/import/", {"file": upload(content)})
    assert answer.status_code == status
    assert said in answer.text
    assert 'id="id_file_error"' in answer.text
