"""Absences from CSV (RFC 4180): columns `who,from,until,reason` and, where the source has one, `uid`.

The first line names the columns, in any order; comma or semicolon. Days (`2026-12-01`, `1.12.2026`) are whole
days, both with; `2026-12-01 14:00` is a time on the shop's clock, `2026-12-01T14:00+01:00` an instant. An empty
`until` means until further notice.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

from jobs.planning import moments
from jobs.planning.imports.entries import MOST_ENTRIES, Entry, FileRefused, bad, own_key, shortened, uid_of
from jobs.planning.naming import Directory, NotFound

COLUMNS = ("who", "from", "until", "reason", "uid")
NEEDED = ("who", "from")
_DOTTED = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?:\s+(\d{1,2}):(\d{2}))?", re.ASCII)
_PLAIN = re.compile(r"(\d{4})-(\d{2})-(\d{2})(?:[T ](\d{1,2}):(\d{2})(?::\d{2})?)?", re.ASCII)
_HOW = "Write 2026-12-01 for a whole day or 2026-12-01 14:00 for a time."


class NotUnderstood(ValueError):
    """A value of a line; the message is a sentence."""


def read(text: str, directory: Directory, zone: ZoneInfo) -> list[Entry]:
    """The entries of a file, in its order; raises `FileRefused` when its columns cannot be told."""
    lines = _lines(text)
    header = next(lines, None)
    names = [name.strip().casefold() for name in header[1]] if header else []
    missing = [name for name in NEEDED if name not in names]
    if missing:
        sentence = f"The first line must name the columns {', '.join(COLUMNS)}; it lacks {' and '.join(missing)}."
        raise FileRefused(sentence)
    twice = sorted({name for name in names if name in COLUMNS and names.count(name) > 1})
    if twice:
        raise FileRefused(f"The first line names the column {twice[0]} twice.")
    found: list[Entry] = []
    for line, cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        if len(found) == MOST_ENTRIES:
            raise FileRefused(f"The file has more than {MOST_ENTRIES} lines. Import it in parts.")
        found.append(_entry(line, cells, names, directory, zone))
    return found


def _lines(text: str) -> Iterator[tuple[int, list[str]]]:
    """(line number, cells) of every record; raises `FileRefused` where the quoting is broken."""
    head = text.split("\n", 1)[0]
    delimiter = ";" if head.count(";") > head.count(",") else "\t" if head.count("\t") > head.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    before = 0
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            if "end of data" in str(error):  # nothing else ends a file within a cell
                where = f"A quotation mark is opened in line {before + 1} and never closed"
                raise FileRefused(f"{where}: where that line ends cannot be told.") from None
            raise FileRefused(f"Line {before + 1} cannot be read as CSV ({error}).") from None
        if cells is None:
            return
        yield before + 1, cells
        before = reader.line_num


def _entry(line: int, cells: list[str], names: list[str], directory: Directory, zone: ZoneInfo) -> Entry:
    text = ", ".join(cells)
    if len(cells) > len(names):
        return bad(line, text, f"It has {len(cells)} values for {len(names)} columns.")
    values = dict(zip(names, (cell.strip() for cell in cells), strict=False))
    try:
        who = directory.find(values.get("who", ""))
        starts_at = _moment(values.get("from", ""), zone, end=False)
        ends_at = _moment(values["until"], zone, end=True) if values.get("until") else None
    except (NotFound, NotUnderstood, moments.NoSuchTime) as refused:
        return bad(line, text, str(refused))
    if ends_at is not None and ends_at <= starts_at:
        return bad(line, text, "It ends before it begins.")
    given = values.get("uid", "")
    uid = uid_of(f"csv:{given}") if given else own_key(who, starts_at, ends_at)
    reason = shortened(values.get("reason", ""), 120)
    return Entry(line, shortened(text, 120), who, starts_at, ends_at, reason, uid)


def _moment(text: str, zone: ZoneInfo, *, end: bool) -> datetime:
    if not text:
        raise NotUnderstood(f"It does not say from when. {_HOW}")
    found = _PLAIN.fullmatch(text) or _DOTTED.fullmatch(text)
    if found is None:
        return _with_offset(text)
    year, month, day = (found[1], found[2], found[3]) if found.re is _PLAIN else (found[3], found[2], found[1])
    try:
        on = date(int(year), int(month), int(day))
        at = time(int(found[4]), int(found[5])) if found[4] else None
    except ValueError:
        raise NotUnderstood(f"There is no {shortened(text, 30)} in the calendar. {_HOW}") from None
    return moments.ends(on, at, zone) if end else moments.begins(on, at, zone)


def _with_offset(text: str) -> datetime:
    try:
        found = datetime.fromisoformat(text)
        instant = found.astimezone(UTC)
    except (ValueError, OverflowError):
        raise NotUnderstood(f"“{shortened(text, 30)}” is no day or time. {_HOW}") from None
    if found.tzinfo is None or not 1970 <= instant.year <= 9000:
        raise NotUnderstood(f"“{shortened(text, 30)}” is no day or time. {_HOW}")
    return instant
