"""What an import would do: each entry against the absences as they stand."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from jobs.people.models import Shop
from jobs.planning.imports.entries import Entry
from jobs.planning.models import Absence
from jobs.planning.rules import absences as rules
from jobs.planning.rules.absences import Subject

NEW, THERE, CHANGED, WITHDRAWN, BAD = "new", "there", "changed", "withdrawn", "bad"
WORDS = {
    NEW: "new",
    THERE: "already there",
    CHANGED: "changed",
    WITHDRAWN: "withdrawn",
    BAD: "not understood",
}


When = tuple[Subject, datetime, datetime | None]


@dataclass(frozen=True)
class Line:
    """One entry and what would become of it; `held` are the absences it changes or withdraws."""

    entry: Entry
    verdict: str
    why: str = ""
    held: tuple[Absence, ...] = ()

    @property
    def word(self) -> str:
        return WORDS[self.verdict]

    @property
    def takes(self) -> bool:
        return self.verdict in (NEW, CHANGED, WITHDRAWN)

    @property
    def subject(self) -> str:
        if self.entry.who is not None:
            return rules.name_of(self.entry.who)
        return rules.name_of(self.held[0].subject) if self.held else ""


def compared(entries: Sequence[Entry], shop: Shop, *, at: datetime) -> list[Line]:
    """A line for each entry; further lines withdraw what a series has no longer."""
    standing = list(
        Absence.objects.filter(shop=shop, withdrawn_at__isnull=True).select_related(
            "shop", "person", "place", "instrument"
        )
    )
    by_uid = {one.uid: one for one in standing if one.uid}
    by_series: dict[str, list[Absence]] = {}
    for one in standing:
        series, mark, _ = one.uid.rpartition("@@")
        if mark:
            by_series.setdefault(series, []).append(one)
    by_time = {(one.subject, one.starts_at, one.ends_at): one for one in standing}
    by_who: dict[Subject, list[When]] = {}
    for when in by_time:
        by_who.setdefault(when[0], []).append(when)
    found: list[Line] = []
    taken: dict[str, int] = {}
    for entry in entries:
        if not entry.why and entry.uid in taken:
            why = f"It has the same identification as line {taken[entry.uid]}."
            found.append(Line(entry, BAD, why))
            continue
        line = _line(entry, shop, by_uid, by_series, by_time, at)
        if line.verdict != BAD:
            taken[entry.uid] = entry.line
        if line.verdict == NEW and entry.who is not None and entry.starts_at is not None:
            when = (entry.who, entry.starts_at, entry.ends_at)
            line = Line(entry, NEW, _overlapping(entry, by_who.get(entry.who, ()), shop.zone))
            by_time[when] = Absence()
            by_who.setdefault(entry.who, []).append(when)
        found.append(line)
    return found + _no_longer(found, by_series)


def _line(
    entry: Entry,
    shop: Shop,
    by_uid: dict[str, Absence],
    by_series: dict[str, list[Absence]],
    by_time: dict[When, Absence],
    at: datetime,
) -> Line:
    if entry.why:
        return Line(entry, BAD, entry.why)
    held = by_uid.get(entry.uid)
    if entry.cancelled:
        own = [*([held] if held is not None else []), *by_series.get(entry.series, [])]
        own = [one for one in own if entry.since is None or one.starts_at >= entry.since]
        if own:
            return Line(entry, WITHDRAWN, held=tuple(own))
        why = "It is cancelled" if entry.since is None else "It has no time from a month ago to two years from now"
        return Line(entry, THERE, f"{why}, and nothing of it is entered.")
    assert entry.who is not None
    assert entry.starts_at is not None
    if held is not None and _same(held, entry):
        return Line(entry, THERE)
    same_time = by_time.get((entry.who, entry.starts_at, entry.ends_at))
    if held is None and same_time is not None:
        return Line(entry, THERE, "The same time is entered already.")
    reasons = rules.why_not_enter(entry.who, shop=shop, starts_at=entry.starts_at, ends_at=entry.ends_at, at=at)
    if reasons:
        return Line(entry, BAD, " ".join(one.sentence for one in reasons))
    if held is not None:
        return Line(entry, CHANGED, held=(held,))
    return Line(entry, NEW)


def _overlapping(entry: Entry, times: Iterable[When], zone: ZoneInfo) -> str:
    """What is said of a time that is entered in part, or stands above in the file: it may be the same absence."""
    assert entry.starts_at is not None
    for _, begin, end in times:
        if (end is None or end > entry.starts_at) and (entry.ends_at is None or begin < entry.ends_at):
            until = f"to {end.astimezone(zone):%Y-%m-%d %H:%M}" if end is not None else "on"
            return f"It overlaps with another, from {begin.astimezone(zone):%Y-%m-%d %H:%M} {until}."
    return ""


def _same(held: Absence, entry: Entry) -> bool:
    stated = (entry.who, entry.starts_at, entry.ends_at, entry.reason)
    return (held.subject, held.starts_at, held.ends_at, held.reason) == stated


def _no_longer(lines: Iterable[Line], by_series: dict[str, list[Absence]]) -> list[Line]:
    """Times of a series in the file that it had when it was imported before, and has no longer."""
    stated = {line.entry.uid for line in lines}
    first: dict[str, Entry] = {}
    for line in lines:
        entry = line.entry
        if entry.series and not entry.cancelled and entry.starts_at is not None:
            held = first.get(entry.series, entry)
            first[entry.series] = entry if held.starts_at is None or entry.starts_at < held.starts_at else held
    found = []
    for series, entry in first.items():
        for one in by_series.get(series, []):
            # What lies before the stretch that was looked at is history, not taken back.
            if one.uid not in stated and entry.starts_at is not None and one.starts_at >= entry.starts_at:
                gone = Entry(entry.line, entry.text, uid=one.uid, cancelled=True)
                found.append(Line(gone, WITHDRAWN, "The series has this time no longer.", (one,)))
    return found


def digest(lines: Iterable[Line]) -> str:
    """Tells whether what would be done is still what was shown."""
    shown = [
        [line.entry.line, line.verdict, line.entry.uid, line.subject, str(line.entry.starts_at),
         str(line.entry.ends_at), line.entry.reason, [one.pk for one in line.held]]
        for line in lines
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(shown).encode()).hexdigest()
