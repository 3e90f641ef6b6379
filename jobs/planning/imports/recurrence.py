"""Entries that come again (RRULE, RDATE, EXDATE of RFC 5545), followed on the clock of their own zone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dateutil.rrule import rrulestr
from icalendar import Event

LOOK_BACK = timedelta(days=31)
AHEAD = timedelta(days=2 * 366)
MOST_TIMES = 800
MOST_FOLLOWED = 20000
# dateutil looks for a day that never comes (30 February) up to the year 9999. Nineteen cycles of the calendar nearer to
# it, that is over in a twentieth of the time.
CYCLES = 19 * 400
_FOLLOWED = {"FREQ", "INTERVAL", "COUNT", "UNTIL", "BYDAY", "BYMONTH", "BYMONTHDAY", "WKST", "BYSETPOS", "BYWEEKNO",
             "BYYEARDAY"}  # fmt: skip


class NotFollowed(ValueError):
    """A rule that is not followed; the message is a sentence."""


def uid_at(series: str, at: datetime) -> str:
    """The identification of one time of a series."""
    return f"{series}@@{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"


def times(event: Event, start: datetime | date, *, at: datetime, zone: ZoneInfo) -> list[datetime | date]:
    """When a series begins again, from a month before `at` for two years; times of EXDATE are left out.

    Raises `NotFollowed`.
    """
    own = start.tzinfo if isinstance(start, datetime) else None
    first, last = at - LOOK_BACK, at + AHEAD
    naive = start.replace(tzinfo=None) if isinstance(start, datetime) else datetime.combine(start, time(0))
    until = last.astimezone(own or zone).replace(tzinfo=None)
    found = {naive, *_listed(event, "RDATE", own, zone)}
    rule = event.get("RRULE")
    if isinstance(rule, list):
        raise NotFollowed("The entry has more than one RRULE.")
    if rule is not None:
        found |= set(_followed(rule, naive, until, own))
    found -= set(_listed(event, "EXDATE", own, zone))
    since = first.astimezone(own or zone).replace(tzinfo=None)
    kept = sorted(one for one in found if since <= one <= until)
    if len(kept) > MOST_TIMES:
        raise NotFollowed(f"It comes again more than {MOST_TIMES} times within two years.")
    return [one.replace(tzinfo=own) if own is not None else one.date() for one in kept]


def _followed(rule: Any, start: datetime, until: datetime, own: Any) -> Iterator[datetime]:
    parts = {str(name).upper(): rule[name] for name in rule}
    other = sorted(set(parts) - _FOLLOWED)
    frequency = str(_only(parts.get("FREQ"))).upper()
    if other or frequency not in {"DAILY", "WEEKLY", "MONTHLY", "YEARLY"}:
        what = other[0] if other else f"FREQ={frequency}"
        raise NotFollowed(f"Its rule has {what}; days, weeks, months and years are followed.")
    if start < until - timedelta(days=40 * 366):
        raise NotFollowed("Its series began more than forty years ago.")
    count = _only(parts.pop("COUNT", None))
    last = _until(_only(parts.pop("UNTIL", None)), own)
    text = ";".join(f"{name}={_written(value)}" for name, value in parts.items())
    try:
        series = rrulestr(text, dtstart=_moved(start, CYCLES)).replace(until=_moved(until, CYCLES))
    except (ValueError, TypeError, KeyError) as error:
        raise NotFollowed(f"Its rule cannot be followed ({error}).") from None
    for number, moved in enumerate(series):
        one = _moved(moved, -CYCLES)
        if (count is not None and number >= int(count)) or (last is not None and one > last):
            return
        if number > MOST_FOLLOWED:
            raise NotFollowed("It comes again too often to be followed.")
        yield one


def _moved(at: datetime, years: int) -> datetime:
    """The same day of the calendar some cycles of 400 years away: same weekday, same week of its year, same leap."""
    return at.replace(year=at.year + years)


def _until(value: Any, own: Any) -> datetime | None:
    """The last time of a series on the clock of its zone."""
    if value is None:
        return None
    if not isinstance(value, datetime):
        return datetime.combine(value, time.max)
    if value.tzinfo is not None and own is not None:
        return value.astimezone(own).replace(tzinfo=None)
    return value.replace(tzinfo=None)


def _only(value: Any) -> Any:
    if isinstance(value, list):
        if len(value) != 1:
            raise NotFollowed("Its rule states something twice that may be stated once.")
        return value[0]
    return value


def _written(value: Any) -> str:
    listed: Iterable[Any] = value if isinstance(value, list) else [value]
    return ",".join(str(one) for one in listed)


def _listed(event: Event, name: str, own: Any, zone: ZoneInfo) -> list[datetime]:
    """The times of RDATE or EXDATE on the clock of the series."""
    held = event.get(name)
    groups = held if isinstance(held, list) else [held] if held is not None else []
    found = []
    for group in groups:
        for one in getattr(group, "dts", []):
            value = one.dt
            if not isinstance(value, date):
                raise NotFollowed(f"{name} has a stretch of time; days and times are followed.")
            if not isinstance(value, datetime):
                value = datetime.combine(value, time(0))
            elif value.tzinfo is not None:
                value = value.astimezone(own or zone).replace(tzinfo=None)
            found.append(value)
    return found
