"""Shifts as they are typed into the cells of a pattern, and how they are written there again."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import time

from jobs.planning.models.calendars import MINUTES_A_DAY
from jobs.planning.shifts import Shift

_CLOCK = r"(\d{1,2})(?:[:.](\d{2}))?"
_UNTIL = re.compile(rf"{_CLOCK}\s*(?:-|–|—|to)\s*{_CLOCK}", re.ASCII)
_LASTING = re.compile(rf"{_CLOCK}\s*\+\s*(?:(\d{{1,2}}):(\d{{2}})|(\d{{1,4}})\s*(h|min))", re.ASCII)
HOW = "Write 06:00–14:00, or 22:00 + 8 h; two shifts of a day with a comma between them."


class NotAShift(ValueError):
    """What stands in a cell cannot be read as shifts; the message says what and how to write it."""


def read(text: str) -> list[tuple[time, int]]:
    """(start, minutes) of each shift in a cell; an end at or before the start is on the next day.

    Raises `NotAShift`.
    """
    return [_one(part.strip()) for part in re.split(r"[,;]", text) if part.strip()]


def _one(part: str) -> tuple[time, int]:
    if found := _UNTIL.fullmatch(part):
        start, end = _clock(part, found[1], found[2]), _clock(part, found[3], found[4], midnight=True)
        begin = start.hour * 60 + start.minute
        finish = end.hour * 60 + end.minute
        return start, finish - begin if finish > begin else finish - begin + MINUTES_A_DAY
    if found := _LASTING.fullmatch(part):
        start = _clock(part, found[1], found[2])
        if found[5]:
            return start, _length(part, int(found[5]) * (60 if found[6] == "h" else 1))
        return start, _length(part, int(found[3]) * 60 + int(found[4]))
    raise NotAShift(f"“{part}” is no shift. {HOW}")


def _clock(part: str, hours: str, minutes: str | None, *, midnight: bool = False) -> time:
    hour, minute = int(hours), int(minutes or 0)
    if midnight and (hour, minute) == (24, 0):
        return time(0)
    if hour > 23 or minute > 59:
        raise NotAShift(f"“{part}”: there is no {hour}:{minute:02} on the clock. {HOW}")
    return time(hour, minute)


def _length(part: str, minutes: int) -> int:
    if not 1 <= minutes <= MINUTES_A_DAY:
        raise NotAShift(f"“{part}”: a shift lasts from 1 minute to 24 hours.")
    return minutes


def written(shifts: Iterable[Shift]) -> str:
    """The shifts of one day as they are typed, such as `06:00–14:00`."""
    return ", ".join(f"{one.starts:%H:%M}–{ends(one):%H:%M}" for one in shifts)


def ends(shift: Shift) -> time:
    """Where the clock stands at the end of a shift, on a night without a clock change."""
    minute = (shift.starts.hour * 60 + shift.starts.minute + shift.minutes) % MINUTES_A_DAY
    return time(minute // 60, minute % 60)
