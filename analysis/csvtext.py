"""Text traces (RFC 4180 with a head of `# key = value` lines): bytes in, arrays out.

The body is cut into blocks at record ends and each block goes through pyarrow's compiled parser. Only when a
block does not parse, or holds a number that is not finite, is it read again field by field to name the line
and column at fault; so a good file is fast and a bad one is refused exactly. Memory is bounded: the
decompressed text is never held whole, and its size and number of records have stated limits.
"""

from __future__ import annotations

import csv
import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv as pacsv

from analysis.errors import TraceRefused

Floats = npt.NDArray[np.float64]

BLOCK_BYTES = 1 << 22
HEAD_BYTES = 1 << 16          # metadata and column names must end within this
FIELD_BYTES = 1 << 16         # a longer record is not one of ours
MAX_TEXT_BYTES = 1 << 30      # of decompressed text: about 30 million samples
MAX_SAMPLES = 20_000_000

REQUIRED = ("time_s", "encoder_deg")
LIFTS = ("lift_mm", "lift_counts")
OPTIONAL = ("temperature_c",)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


@dataclass
class Head:
    """Metadata, column names and the number of lines they took."""

    metadata: dict[str, str] = field(default_factory=dict)
    columns: list[str] = field(default_factory=list)
    lines: int = 0


def read(stream: BinaryIO) -> tuple[dict[str, str], dict[str, Floats]]:
    """Read a text trace.

    Returns
    -------
    metadata : dict of str to str
    columns : dict of str to ndarray, shape (n,)
        The columns known to the contract, all finite, in the units of their names.

    Raises
    ------
    TraceRefused
        With line and column.
    """
    head, rest = _head(stream)
    wanted = _wanted(head)
    parts: list[dict[str, Floats]] = []
    line, samples, last_s = head.lines + 1, 0, -np.inf
    for block in _blocks(stream, rest, head.lines + 1):
        part, records = _parse(block, head.columns, wanted, line)
        _in_order(part["time_s"], last_s, block, line)
        last_s = float(part["time_s"][-1]) if len(part["time_s"]) else last_s
        line += records
        samples += len(part["time_s"])
        if samples > MAX_SAMPLES:
            raise TraceRefused(f"The trace holds more than {MAX_SAMPLES:,} samples.", line)
        parts.append(part)
    if samples == 0:
        raise TraceRefused("The trace has column names but no samples.")
    return head.metadata, {name: np.concatenate([part.pop(name) for part in parts]) for name in wanted}


def _in_order(time_s: Floats, last_s: float, block: bytes, line: int) -> None:
    """Refuse time that runs backwards; repeated stamps are left alone."""
    back = np.flatnonzero(np.diff(time_s, prepend=last_s) < 0)
    if len(back):
        at = _line_of(int(back[0]), block, line)
        raise TraceRefused("time_s runs backwards.", at, "time_s")


def _line_of(sample: int, block: bytes, line: int) -> int:
    """The line on which a block's sample number `sample` stands."""
    reader = csv.reader(io.StringIO(block.decode("utf-8"), newline=""))
    seen = -1
    while True:
        at = line + reader.line_num
        try:
            row = next(reader)
        except (csv.Error, StopIteration):
            return at
        seen += not _empty(row)
        if seen == sample:
            return at


def _empty(row: list[str]) -> bool:
    return not row or (len(row) == 1 and not row[0].strip())


def _text(raw: bytes, line: int) -> str:
    if b"\0" in raw:
        at = line + raw[: raw.index(b"\0")].count(b"\n")
        raise TraceRefused("The file holds NUL bytes, so it is not text.", at)
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as wrong:
        at = line + raw[: wrong.start].count(b"\n")
        raise TraceRefused("The file is not UTF-8 text.", at) from None


def _head(stream: BinaryIO) -> tuple[Head, bytes]:
    """Metadata lines and the row of column names; returns what was read beyond them."""
    raw = _fill(stream, HEAD_BYTES)
    if not raw:
        raise TraceRefused("The file is empty.")
    head, at = Head(), 3 if raw.startswith(b"\xef\xbb\xbf") else 0
    while True:
        end = raw.find(b"\n", at)
        if end < 0 and len(raw) >= HEAD_BYTES:
            if b"\0" in raw:
                _text(raw, head.lines + 1)
            raise TraceRefused("No row of column names in the first 64 kB.", head.lines + 1)
        stop = len(raw) if end < 0 else end
        head.lines += 1
        text = _text(raw[at:stop], head.lines).rstrip("\r").strip()
        at = stop + 1
        if text.startswith("#"):
            key, equals, value = text[1:].partition("=")
            if equals:
                head.metadata[key.strip()] = value.strip()
        elif text:
            try:
                head.columns = [name.strip() for name in next(csv.reader([text]))]
            except csv.Error as wrong:
                raise TraceRefused(f"Not a row of column names ({wrong}).", head.lines) from None
            return head, raw[at:]
        if at >= len(raw):
            raise TraceRefused("The file has no row of column names.", head.lines)


def _wanted(head: Head) -> list[str]:
    for name in REQUIRED:
        if name not in head.columns:
            raise TraceRefused(f"Column {name} is missing.", head.lines, name)
    lifts = [name for name in LIFTS if name in head.columns]
    if not lifts:
        raise TraceRefused("Column lift_mm is missing, and so is lift_counts.", head.lines, "lift_mm")
    wanted = [*REQUIRED, lifts[0], *(name for name in OPTIONAL if name in head.columns)]
    for name in wanted:
        if head.columns.count(name) > 1:
            raise TraceRefused(f"Column {name} stands twice.", head.lines, name)
    return wanted


def _fill(stream: BinaryIO, size: int) -> bytes:
    """Read up to `size` bytes, going on after short reads."""
    parts: list[bytes] = []
    while size > 0 and (part := _some(stream, size)):
        parts.append(part)
        size -= len(part)
    return b"".join(parts)


def _some(stream: BinaryIO, size: int) -> bytes:
    try:
        return stream.read(size)
    except (OSError, EOFError, zlib.error) as wrong:
        raise TraceRefused(f"The compressed file is damaged or cut short ({wrong}).") from None


def _blocks(stream: BinaryIO, rest: bytes, line: int) -> Iterator[bytes]:
    """The body, whose first line is `line`, in blocks that end where a record ends."""
    total = len(rest)
    while True:
        more = _fill(stream, BLOCK_BYTES)
        total += len(more)
        if total > MAX_TEXT_BYTES:
            raise TraceRefused(f"The trace unpacks to more than {MAX_TEXT_BYTES >> 20} MB.")
        block = rest + more
        if not more:
            if block.strip():
                yield block
            return
        cut = _record_end(block)
        if cut:
            whole = block[:cut]
            yield whole
            line += _line_ends(whole)
        rest = block[cut:]
        if len(rest) > FIELD_BYTES:
            if b"\0" in rest:
                _text(rest, line)
            raise TraceRefused("A record is longer than 64 kB: this is not a trace.", line)


def _line_ends(block: bytes) -> int:
    """How many line ends: as `bytes.count`, which takes several times as long where they are close together."""
    return int(np.count_nonzero(np.frombuffer(block, np.uint8) == ord("\n")))


def _record_end(block: bytes) -> int:
    """Where the last whole record ends; a line end inside quotes does not end one."""
    cut = block.rfind(b"\n") + 1
    while cut and b'"' in block and block.count(b'"', 0, cut) % 2:
        cut = block.rfind(b"\n", 0, cut - 1) + 1
    return cut


def _parse(block: bytes, names: list[str], wanted: list[str], line: int) -> tuple[dict[str, Floats], int]:
    """One block to arrays and its number of lines; falls back to the slow reader, which names the fault."""
    records = _line_ends(block) + (not block.endswith(b"\n"))
    if b"\0" in block:
        _text(block, line)
    try:
        table = pacsv.read_csv(
            pa.BufferReader(block),
            read_options=pacsv.ReadOptions(column_names=_unique(names), use_threads=False),
            parse_options=pacsv.ParseOptions(newlines_in_values=b'"' in block, ignore_empty_lines=True),
            convert_options=pacsv.ConvertOptions(
                column_types={name: pa.float64() for name in wanted},
                include_columns=wanted, null_values=[], strings_can_be_null=False,
            ),
        )
        part = {name: np.asarray(table[name].to_numpy(zero_copy_only=False), dtype=np.float64) for name in wanted}
        if all(np.isfinite(column).all() for column in part.values()):
            return part, records
    except pa.ArrowInvalid:
        pass
    return _slowly(_text(block, line), names, wanted, line), records


def _unique(names: list[str]) -> list[str]:
    """Column names made distinct for the parser; unknown columns may repeat or be empty."""
    return [name if names.index(name) == at else f"{name}#{at}" for at, name in enumerate(names)]


def _slowly(text: str, names: list[str], wanted: list[str], line: int) -> dict[str, Floats]:
    """Field by field, so that a refusal can say where."""
    places = [(name, names.index(name)) for name in wanted]
    found: dict[str, list[float]] = {name: [] for name in wanted}
    reader = csv.reader(io.StringIO(text, newline=""))
    while True:
        at = line + reader.line_num
        try:
            row = next(reader, None)
        except csv.Error as wrong:
            raise TraceRefused(f"Not a record of comma-separated values ({wrong}).", at) from None
        if row is None:
            return {name: np.array(column) for name, column in found.items()}
        if _empty(row):
            continue
        for name, place in places:
            found[name].append(_number(row, name, place, at))
        if len(row) != len(names):
            raise TraceRefused(f"{len(row)} fields where the column names promise {len(names)}.", at)


def _number(row: list[str], name: str, place: int, line: int) -> float:
    if place >= len(row):
        raise TraceRefused(f"The record ends before {name}.", line, name)
    field_text = row[place].strip()
    if not field_text:
        raise TraceRefused(f"{name} is blank.", line, name)
    if not _NUMBER.fullmatch(field_text):
        raise TraceRefused(f"{name} is not a plain number: {field_text[:40]!r}.", line, name)
    value = float(field_text)
    if not np.isfinite(value):
        raise TraceRefused(f"{name} is too large: {field_text[:40]!r}.", line, name)
    return value
