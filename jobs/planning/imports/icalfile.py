"""Absences from iCalendar (RFC 5545): each VEVENT is one, or one for each time it comes again.

Who is away is said by the planner for the whole file, or else by the entry: an ATTENDEE by its CN or the name before
the @, else the words of SUMMARY before a colon or dash (`Una Farrow: leave`). Time zones are those of the IANA
database; one that a file defines itself (VTIMEZONE) under another name is not followed. A time without a zone is on
the shop's clock.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from icalendar import Event

from jobs.planning import moments
from jobs.planning.imports import recurrence
from jobs.planning.imports.entries import MOST_ENTRIES, MOST_SERIES, Entry, FileRefused, bad, shortened, uid_of
from jobs.planning.naming import Directory, NotFound
from jobs.planning.rules.absences import Subject

MOST_LINES = 200
LONGEST = timedelta(days=5 * 366)
_SUMMARY = re.compile(r"\s*(.+?)\s*(?::|–|—|\s-\s|\()\s*(.*)", re.DOTALL)


class NotUnderstood(ValueError):
    """Something in an entry; the message is a sentence."""


def read(text: str, directory: Directory, zone: ZoneInfo, *, whose: Subject | None, at: datetime) -> list[Entry]:
    """The entries of a file; what comes again is followed from a month before `at` for two years.

    Raises `FileRefused` when it is no calendar at all.
    """
    if "BEGIN:VCALENDAR" not in text.upper():
        raise FileRefused("The file is no calendar: it has no BEGIN:VCALENDAR. Export it as iCalendar (.ics) again.")
    blocks = list(_blocks(text))
    if len(blocks) > MOST_ENTRIES:
        raise FileRefused(f"The calendar has more than {MOST_ENTRIES} entries. Export a shorter time.")
    if sum("RRULE" in block.upper() for _, block in blocks) > MOST_SERIES:
        raise FileRefused(f"More than {MOST_SERIES} entries of the calendar come again. Import it in parts.")
    overridden = _overridden(blocks)
    found: list[Entry] = []
    for line, block in blocks:
        found += _entries(line, block, directory, zone, whose, at, overridden)
        if len(found) > 2 * MOST_ENTRIES:
            raise FileRefused("The calendar comes to too many days. Export a shorter time.")
    return found


def _blocks(text: str) -> Iterator[tuple[int, str]]:
    """(line number, text) of every VEVENT; one that is not ended goes up to the next."""
    held: list[str] = []
    began = 0
    for number, raw in enumerate(re.split(r"\r\n|\n|\r", text), start=1):
        word = raw.strip().upper()
        if word == "BEGIN:VEVENT":
            if held:
                yield began, "\r\n".join(held)
            held, began = [raw.strip()], number
        elif held:
            held.append(raw)
            if word == "END:VEVENT":
                yield began, "\r\n".join(held)
                held = []
    if held:
        yield began, "\r\n".join(held)


def _overridden(blocks: list[tuple[int, str]]) -> dict[str, set[datetime]]:
    """For each UID the times of its series that an entry of their own states anew."""
    found: dict[str, set[datetime]] = {}
    for _, block in blocks:
        if "RECURRENCE-ID" not in block.upper():
            continue
        try:
            event = _parsed(block)
            instant = _instant(_once(event, "RECURRENCE-ID"), UTC)
        except (NotUnderstood, moments.NoSuchTime):
            continue
        found.setdefault(str(event.get("UID", "")), set()).add(instant)
    return found


def _parsed(block: str) -> Event:
    if block.count("\n") > MOST_LINES:
        raise NotUnderstood(f"The entry has more than {MOST_LINES} lines.")
    if not block.upper().rstrip().endswith("END:VEVENT"):
        raise NotUnderstood("The entry is not ended by END:VEVENT; the file seems to be cut off.")
    try:
        event = Event.from_ical(block)
    except Exception:  # noqa: BLE001 - a parser of foreign files: whatever it trips over is this one entry
        raise NotUnderstood("The entry cannot be read: its lines are not as iCalendar has them.") from None
    if not isinstance(event, Event):
        raise NotUnderstood("The entry cannot be read.")
    if event.errors:
        name, sentence = event.errors[0]  # the parser's sentence is for programmers; of a line it quotes the line
        line = re.search(r"'([^']{1,60})", str(sentence)) if name is None else None
        what = name or (f"The line “{line[1]}”" if line else "A line")
        raise NotUnderstood(f"{what} cannot be read: it is not as iCalendar has it.")
    return event


def _entries(
    line: int,
    block: str,
    directory: Directory,
    zone: ZoneInfo,
    whose: Subject | None,
    at: datetime,
    overridden: dict[str, set[datetime]],
) -> list[Entry]:
    text = shortened(block, 120)
    try:
        event = _parsed(block)
        summary = shortened(_text(event, "SUMMARY"), 120)
        text = summary or text
        return _stated(line, event, summary, directory, zone, whose, at, overridden)
    except (NotUnderstood, NotFound, moments.NoSuchTime, recurrence.NotFollowed) as refused:
        return [bad(line, text, str(refused))]


def _stated(
    line: int,
    event: Event,
    summary: str,
    directory: Directory,
    zone: ZoneInfo,
    whose: Subject | None,
    at: datetime,
    overridden: dict[str, set[datetime]],
) -> list[Entry]:
    given = _text(event, "UID")
    if not given:
        raise NotUnderstood("The entry has no UID, so it could not be found again.")
    series = uid_of(f"ical:{given}")
    one_of_series = _once(event, "RECURRENCE-ID")
    uid = series
    if one_of_series is not None:
        uid = recurrence.uid_at(series, _instant(one_of_series, zone))
    if _text(event, "STATUS").upper() == "CANCELLED":
        whole = "" if one_of_series is not None else series
        return [Entry(line, summary or given, uid=uid, cancelled=True, series=whole)]
    if _text(event, "TRANSP").upper() == "TRANSPARENT":
        raise NotUnderstood("It is marked as time that stays free (TRANSP:TRANSPARENT).")
    who, reason = _who(event, summary, directory, whose)
    start, lasts = _first(event, zone)
    if event.get("RRULE") is None and event.get("RDATE") is None:
        starts_at, ends_at = lasts(start)
        return [Entry(line, summary or given, who, starts_at, ends_at, reason, uid)]
    left_out = overridden.get(given, set())
    times = recurrence.times(event, start, at=at, zone=zone)
    if not times:  # a series that is over takes back what it was to bring
        return [Entry(line, summary or given, uid=series, cancelled=True, series=series, since=at)]
    return [
        Entry(line, summary or given, who, starts_at, ends_at, reason, recurrence.uid_at(series, starts_at),
              series=series)
        for starts_at, ends_at in (lasts(time_of) for time_of in times)
        if starts_at not in left_out
    ]  # fmt: skip


def _who(event: Event, summary: str, directory: Directory, whose: Subject | None) -> tuple[Subject, str]:
    """Who is away, and why."""
    named = _SUMMARY.fullmatch(summary)
    if whose is not None:
        return whose, summary
    attendees = event.get("ATTENDEE")
    for one in attendees if isinstance(attendees, list) else [attendees] if attendees is not None else []:
        for word in (str(one.params.get("CN", "")), re.sub(r"(?i)^mailto:", "", str(one)).split("@")[0]):
            try:
                return directory.find(word), summary
            except NotFound:
                continue
    if named is not None:
        return directory.find(named[1]), named[2].rstrip(")").strip()
    return directory.find(summary), ""


def _first(event: Event, zone: ZoneInfo) -> tuple[datetime | date, Any]:
    """The first start as the entry states it, and a function from a start to the instants of one absence."""
    start = _value(event, "DTSTART", zone)
    if start is None:
        raise NotUnderstood("The entry has no DTSTART, so it does not say from when.")
    end, duration = _value(event, "DTEND", zone), _once(event, "DURATION")
    if duration is not None and not timedelta(0) < duration.dt <= LONGEST:
        raise NotUnderstood("Its DURATION is nothing, or more than five years.")
    if not isinstance(start, datetime):
        days = _days(start, end, duration)
        return start, lambda day: (moments.begins(day, None, zone), moments.begins(day + days, None, zone))
    if end is not None and not isinstance(end, datetime):
        raise NotUnderstood("DTSTART has a time and DTEND has none.")
    if end is None and duration is None:
        raise NotUnderstood("The entry has neither DTEND nor DURATION, so it does not say until when.")
    lasts = duration.dt if end is None else end.astimezone(UTC) - start.astimezone(UTC)
    if not isinstance(lasts, timedelta) or lasts <= timedelta(0):
        raise NotUnderstood("It ends before it begins.")
    return start, lambda local: (local.astimezone(UTC), local.astimezone(UTC) + lasts)


def _days(start: date, end: date | datetime | None, duration: Any) -> timedelta:
    """How many whole days: DTEND is the day after the last, without it one day."""
    days = timedelta(days=1)
    if isinstance(end, datetime):
        raise NotUnderstood("DTSTART is a day and DTEND a time.")
    if end is not None:
        days = end - start
    elif duration is not None:
        days = duration.dt
    if days < timedelta(days=1) or days % timedelta(days=1):
        raise NotUnderstood("A whole-day entry must last whole days, and end on the day after its last.")
    return days


def _once(event: Event, name: str) -> Any:
    held = event.get(name)
    if isinstance(held, list):
        raise NotUnderstood(f"The entry has {name} twice.")
    return held


def _value(event: Event, name: str, zone: ZoneInfo) -> datetime | date | None:
    """A day, or a time with its zone: the one the entry names, else the shop's."""
    held = _once(event, name)
    if held is None:
        return None
    found = getattr(held, "dt", None)
    if not isinstance(found, date):
        raise NotUnderstood(f"{name} is no day or time.")
    if not 1970 <= found.year <= 9000:
        raise NotUnderstood(f"The year of {name} is {found.year}; that is out of range.")
    if not isinstance(found, datetime):
        return found
    named = str(held.params.get("TZID", ""))
    if found.tzinfo is None and named:
        raise NotUnderstood(f"The time zone {shortened(named, 40)} is not in the IANA database (as Europe/London is).")
    return _kept(found, zone)


def _kept(found: datetime, zone: ZoneInfo) -> datetime:
    """A time on the clock of its zone; one that the clock leaps over is taken where PEP 495 puts it."""
    own: tzinfo = found.tzinfo or zone
    return found.replace(tzinfo=own)


def _instant(held: Any, zone: tzinfo) -> datetime:
    found = getattr(held, "dt", None)
    if not isinstance(found, date) or not 1970 <= found.year <= 9000:
        raise NotUnderstood("RECURRENCE-ID is no day or time.")
    if not isinstance(found, datetime):
        found = datetime.combine(found, time(0))
    return (found if found.tzinfo is not None else found.replace(tzinfo=zone)).astimezone(UTC)


def _text(event: Event, name: str) -> str:
    held = event.get(name)
    return str(held[0] if isinstance(held, list) and held else held or "").strip()
