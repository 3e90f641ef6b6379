"""Absences from CSV: each line read by itself, whatever stands in the others."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from jobs.planning.imports import csvfile
from jobs.planning.imports.entries import MOST_BYTES, FileRefused, decoded
from tests.jobs.planning.importing import DIRECTORY, LONDON, PROBE, from_csv, utc, whole


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
        (b'who,from\n"x,2026-01-01\n', "A quotation mark is opened in line 2 and never closed"),
        (b'who,from\n"x"y,2026-01-01\n', "Line 2 cannot be read as CSV"),
        (b"x" * (MOST_BYTES + 1), "512 kB is the most"),
        (b"who,from\n" + b"PR-07,2026-01-01\n" * 2001, "more than 2000 lines"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_with_what_to_do(content: bytes, why: str) -> None:
    with pytest.raises(FileRefused) as refused:
        csvfile.read(decoded(content), DIRECTORY, LONDON)
    assert why in str(refused.value)


# --- Whatever comes -----------------------------------------------------------------------------------

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
