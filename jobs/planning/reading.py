"""From a file of absences to the lines that a planner looks at, and from there to what is taken."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from django.core.files.uploadedfile import UploadedFile

from jobs.errors import BadInput, Reason, TooLarge
from jobs.ledger.actions import System
from jobs.people.models import Person, Shop
from jobs.planning import naming
from jobs.planning.actions import importing
from jobs.planning.imports import comparing, csvfile, entries, icalfile
from jobs.planning.models import Absence
from jobs.planning.rules.absences import Subject


@dataclass(frozen=True)
class Read:
    """A file as read, and what would be done with each of its entries."""

    text: str
    file_name: str
    whose: Subject | None
    source: str
    entries: tuple[entries.Entry, ...]
    lines: tuple[comparing.Line, ...]

    @property
    def counts(self) -> Counter[str]:
        return Counter(line.verdict for line in self.lines)

    @property
    def digest(self) -> str:
        return comparing.digest(self.lines)

    @property
    def takes(self) -> int:
        return sum(line.takes for line in self.lines)


def uploaded(*, file: UploadedFile[bytes], whose: Subject | None, shop: Shop, at: datetime) -> Read:
    """Read an uploaded file; raises `TooLarge` or `BadInput` when it cannot be read at all."""
    if file.size is not None and file.size > entries.MOST_BYTES:
        most = entries.MOST_BYTES // 1024
        sentence = f"The file has {file.size // 1024} kB; {most} kB is the most. Import it in parts."
        raise TooLarge([Reason("too-large", sentence, "file")])
    try:
        text = entries.decoded(file.read())
    except entries.FileRefused as refused:
        raise BadInput([Reason("file", str(refused), "file")]) from None
    return of_text(text, file_name=entries.shortened(file.name or "", 80), whose=whose, shop=shop, at=at)


def of_text(text: str, *, file_name: str, whose: Subject | None, shop: Shop, at: datetime) -> Read:
    """The lines of a text; raises `BadInput` when it is neither CSV with the columns nor a calendar."""
    calendar = "BEGIN:VCALENDAR" in text[:2000].upper()
    directory = naming.of_shop(shop)
    try:
        if calendar:
            found = icalfile.read(text, directory, shop.zone, whose=whose, at=at)
        else:
            found = csvfile.read(text, directory, shop.zone)
    except entries.FileRefused as refused:
        raise BadInput([Reason("file", str(refused), "file")]) from None
    source = Absence.Source.ICALENDAR if calendar else Absence.Source.CSV
    lines = comparing.compared(found, shop, at=at)
    return Read(text, file_name, whose, source, tuple(found), tuple(lines))


def taken(
    *,
    text: str,
    file_name: str,
    whose: Subject | None,
    seen: str,
    shop: Shop,
    by: Person | System,
    at: datetime,
) -> Counter[str]:
    """Read a text again and take its good lines, if they come to what was shown."""
    found = of_text(text, file_name=file_name, whose=whose, shop=shop, at=at)
    return importing.take_absences(
        found.entries, shop=shop, source=found.source, seen=seen, file_name=file_name, by=by, at=at
    )


def counted(counts: Counter[str]) -> str:
    """How many lines are new, changed and so on, in words."""
    order = (comparing.NEW, comparing.CHANGED, comparing.WITHDRAWN, comparing.THERE, comparing.BAD)
    return ", ".join(f"{counts[one]} {comparing.WORDS[one]}" for one in order if counts[one]) or "no entries"
