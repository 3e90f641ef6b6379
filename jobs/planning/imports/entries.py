"""What the readers of files give: entries, good and bad, and the file that is refused as a whole."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from jobs.planning.rules.absences import Subject

MOST_BYTES = 512 * 1024
MOST_ENTRIES = 2000
MOST_SERIES = 200
LONGEST_UID = 255
LONGEST_REASON = 120


class FileRefused(ValueError):
    """The file as a whole cannot be read; the message is a sentence that says what to do."""


@dataclass(frozen=True)
class Entry:
    """One absence as a file states it; `why` says why it is not understood, and the rest is then empty.

    `line` counts from 1 in the file. `cancelled` takes back what was imported under `uid` before, and with
    `series` everything of the series, or what begins from `since` on.
    """

    line: int
    text: str
    who: Subject | None = None
    starts_at: datetime | None = None
    ends_at: datetime | None = None
    reason: str = ""
    uid: str = ""
    cancelled: bool = False
    series: str = ""
    since: datetime | None = None
    why: str = ""


def bad(line: int, text: str, why: str) -> Entry:
    return Entry(line, shortened(text, 120), why=why)


def decoded(content: bytes) -> str:
    """The text of a file in UTF-8, or UTF-16 with its mark; raises `FileRefused`."""
    if len(content) > MOST_BYTES:
        size = f"{len(content) // 1024} kB"
        raise FileRefused(f"The file has {size}; {MOST_BYTES // 1024} kB is the most. Import it in parts.")
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        sentence = f"The file is not text in UTF-8 (byte {error.start + 1}). Save it as UTF-8 and import it again."
        raise FileRefused(sentence) from None
    if "\x00" in text:
        raise FileRefused("The file is not text: it has a zero byte. Save it as CSV or iCalendar and import it again.")
    if not text.strip():
        raise FileRefused("The file is empty.")
    return text


def uid_of(given: str) -> str:
    """An identification that fits its column; a longer one is stood for by its digest."""
    if len(given) <= LONGEST_UID - 30:
        return given
    return f"sha256:{hashlib.sha256(given.encode()).hexdigest()}"


def own_key(who: Subject, starts_at: datetime, ends_at: datetime | None) -> str:
    """The identification of an entry that has none: who and when, so that the same line is found again."""
    parts: Iterable[str] = (
        type(who).__name__,
        str(who.pk),
        starts_at.astimezone(UTC).isoformat(),
        ends_at.astimezone(UTC).isoformat() if ends_at else "",
    )
    return f"own:{hashlib.sha256('|'.join(parts).encode()).hexdigest()[:40]}"


def shortened(text: str, most: int) -> str:
    """One line of printable text of at most `most` characters."""
    tidy = " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
    return tidy if len(tidy) <= most else f"{tidy[: most - 1]}…"
