"""Sentences of the planner in the words and on the clock of the shop."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from jobs.planning.wording import length, moment, said

LONDON = ZoneInfo("Europe/London")


def test_ids_and_instants_become_words() -> None:
    names = {"BY-2026-0004/as-found": "as-found of R4 4107", "person-12": "Una Farrow", "person-1": "Callum Strand"}
    sentence = (
        "BY-2026-0004/as-found was ready at 2026-07-06T05:00:00Z; person-12 is not at work until 2026-07-06T13:00:00Z."
    )
    assert said(sentence, names, LONDON) == (
        "As-found of R4 4107 was ready at Mon 2026-07-06 06:00; Una Farrow is not at work until Mon 2026-07-06 14:00."
    )


def test_of_two_instants_of_one_day_the_day_is_said_once() -> None:
    sentence = "PR-07 is taken from 2026-07-06T05:00:00Z to 2026-07-06T07:30:00Z."
    assert said(sentence, {}, LONDON) == "PR-07 is taken from Mon 2026-07-06 06:00 to 08:30."
    over = "PR-07 is taken from 2026-07-06T21:00:00Z to 2026-07-06T23:30:00Z."
    assert said(over, {}, LONDON) == "PR-07 is taken from Mon 2026-07-06 22:00 to Tue 2026-07-07 00:30."


def test_the_instants_of_the_checker_are_on_the_clock_of_the_shop_too() -> None:
    sentence = "PR-07 is booked at 2026-07-06 11:30 UTC; BY-1 has it from 2026-07-06 11:00 UTC to 2026-07-06 12:00 UTC."
    assert said(sentence, {}, LONDON) == (
        "PR-07 is booked at Mon 2026-07-06 12:30; BY-1 has it from Mon 2026-07-06 12:00 to 13:00."
    )


def test_the_unit_that_an_operation_names_is_not_said_twice() -> None:
    names = {"BY-1/prepare": "prepare of R4 4113", "BY-1": "R4 4113", "BY-2": "R4 41130", "person-1": "Nessa Birch"}
    taken = "person-1 is taken by BY-1/prepare of order {} from 2026-07-06T05:00:00Z to 2026-07-06T07:30:00Z."
    assert said(taken.format("BY-1"), names, LONDON) == (
        "Nessa Birch is taken by prepare of R4 4113 from Mon 2026-07-06 06:00 to 08:30."
    )
    assert "prepare of R4 4113 of order R4 41130 from" in said(taken.format("BY-2"), names, LONDON)


def test_a_word_that_is_no_id_stays() -> None:
    assert said("The skill perform-timing of PR-07.", {"PR-0": "x"}, LONDON) == "The skill perform-timing of PR-07."


@pytest.mark.parametrize(
    ("minutes", "words"), [(0, "0 min"), (59.6, "1 h"), (75, "1 h 15 min"), (-120, "2 h"), (1500, "25 h")]
)
def test_lengths(minutes: float, words: str) -> None:
    assert length(minutes) == words


def test_the_moment_is_on_the_clock_of_the_shop() -> None:
    assert moment(datetime(2026, 12, 3, 14, 0, tzinfo=UTC), ZoneInfo("America/New_York")) == "Thu 2026-12-03 09:00"
