"""Days and times on the shop's clock as instants, and what a clock change makes of them."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


class NoSuchTime(ValueError):
    """A time that the clock leaps over, or a day outside the calendar; the message is a sentence."""


def begins(day: date, at: time | None, zone: ZoneInfo) -> datetime:
    """When an absence begins: the start of a day, or a time on it; of a time told twice the first.

    Raises `NoSuchTime`.
    """
    return _instant(day, at or time(0), zone, fold=0)


def ends(day: date, at: time | None, zone: ZoneInfo) -> datetime:
    """When an absence ends: the end of a day, or a time on it; of a time told twice the second.

    Raises `NoSuchTime`.
    """
    if at is not None:
        return _instant(day, at, zone, fold=1)
    if day >= date.max:
        raise NoSuchTime(f"The day {day.isoformat()} is the last of the calendar.")
    return _instant(day + timedelta(days=1), time(0), zone, fold=0)


def _instant(day: date, at: time, zone: ZoneInfo, *, fold: int) -> datetime:
    if not 1970 <= day.year <= 9000:
        raise NoSuchTime(f"The year {day.year} is out of range; look at the date again.")
    local = datetime.combine(day, at.replace(tzinfo=None), zone).replace(fold=fold)
    found = local.astimezone(UTC)
    # Midnight may itself be leapt over, in zones that change at midnight: the day then begins when it begins.
    if at != time(0) and found.astimezone(zone).replace(tzinfo=None) != local.replace(tzinfo=None):
        raise NoSuchTime(f"On {day.isoformat()} the clock leaps over {at:%H:%M} in {zone.key}; write another time.")
    return found
