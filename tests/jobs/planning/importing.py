"""What the tests of imports share: a directory of a small shop, and files as programs write them."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from jobs.people.models import Person
from jobs.planning.imports import csvfile, icalfile
from jobs.planning.imports.entries import Entry
from jobs.planning.models import Place
from jobs.planning.naming import Directory
from jobs.tooling.models import Instrument

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

WHEN = ("DTSTART:20260601T080000Z", "DTEND:20260601T120000Z")


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
