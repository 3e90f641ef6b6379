"""Traces: read one recording, refuse what is not one (trace-format, section 1)."""

from __future__ import annotations

import gzip
import hashlib
import io
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
import numpy.typing as npt

from analysis import columnar, csvtext
from analysis.errors import TraceRefused
from analysis.quantiles import median, quantile

Floats = npt.NDArray[np.float64]
MAX_FILE_BYTES = 1 << 30
WHOLE_BYTES = 1 << 22          # a file of no more than this is read once, a larger one in passes
BACK_S = 5.0               # a gap in which the shaft may be turned back by more than half a turn
STOOD_ROWS = 3.0          # usual steps of the encoder from row to row
GAP_PACES, MOST_GAPS, SPEED_SAMPLES = 5.0, 1000, 20
GZIP_MAGIC = b"\x1f\x8b"


@dataclass(frozen=True)
class Trace:
    """One recording.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Seconds, non-decreasing.
    angle_deg : ndarray, shape (n,)
        Crank degrees on the encoder, cumulative (unrolled), positive in normal rotation.
    lift : ndarray, shape (n,)
        Probe displacement in millimetres, or raw converter counts when `in_counts`.
    in_counts : bool
    encoder_per_crank : float
        Encoder degrees for one crank degree; not 0.
    temperature_c : ndarray, shape (n,), or None
    metadata : dict of str to str
    sha256 : str
        Of the bytes of the file as it came.
    at_lines : bool
        Whether each row was taken where the encoder passes a line, which is what `angle_deg` then gives.
    """

    time_s: Floats
    angle_deg: Floats
    lift: Floats
    in_counts: bool = False
    encoder_per_crank: float = 1.0
    temperature_c: Floats | None = None
    metadata: dict[str, str] = field(default_factory=dict)
    sha256: str = ""
    at_lines: bool = False

    def __len__(self) -> int:
        return len(self.time_s)


def read_trace(source: bytes | Path, *, filename: str = "") -> Trace:
    """Read a trace from its bytes or its path, in any of the forms of the contract.

    The form is told by the content, not by the name: gzip, Parquet and MDF 4 by their magic
    numbers, else text.

    Raises
    ------
    TraceRefused
        When it is not a trace, with the line and column (or channel) at fault.
    """
    if isinstance(source, Path):
        filename = filename or source.name
        try:
            size = source.stat().st_size
            if size > MAX_FILE_BYTES:
                raise TraceRefused(f"The file is larger than {MAX_FILE_BYTES >> 20} MB.")
            if size <= WHOLE_BYTES:
                return read_trace(source.read_bytes())
            with source.open("rb") as stream:
                digest = hashlib.file_digest(stream, "sha256").hexdigest()
                stream.seek(0)
                return _read(cast(BinaryIO, stream), digest)
        except OSError as wrong:
            raise TraceRefused(f"The file cannot be read ({wrong.strerror}).") from None
    if len(source) > MAX_FILE_BYTES:
        raise TraceRefused(f"The file is larger than {MAX_FILE_BYTES >> 20} MB.")
    return _read(io.BytesIO(source), hashlib.sha256(source).hexdigest())


def _read(stream: BinaryIO, digest: str) -> Trace:
    magic = stream.read(8)
    stream.seek(0)
    if magic.startswith(GZIP_MAGIC):
        with gzip.GzipFile(fileobj=stream) as unpacked:
            return from_columns(*csvtext.read(cast(BinaryIO, unpacked)), digest=digest)
    if magic.startswith(columnar.PARQUET_MAGIC):
        return from_columns(*columnar.read_parquet(stream), digest=digest)
    if magic.startswith(columnar.MDF_MAGIC):
        return from_columns(*columnar.read_mdf(stream.read()), digest=digest)
    return from_columns(*csvtext.read(stream), digest=digest)


def from_columns(metadata: dict[str, str], columns: dict[str, Floats], *, digest: str = "") -> Trace:
    """Make a trace of columns that have been read and checked: unroll the encoder, name the unit."""
    time_s = columns["time_s"]
    ratio = _ratio(metadata)
    in_counts = "lift_mm" not in columns
    return Trace(
        time_s=time_s,
        angle_deg=unrolled(columns["encoder_deg"], time_s) / ratio,
        lift=columns["lift_counts" if in_counts else "lift_mm"],
        in_counts=in_counts,
        encoder_per_crank=ratio,
        temperature_c=columns.get("temperature_c"),
        metadata=metadata,
        sha256=digest,
    )


def _ratio(metadata: dict[str, str]) -> float:
    text = metadata.get("encoder_per_crank", "1")
    try:
        ratio = float(text)
    except ValueError:
        raise TraceRefused(f"encoder_per_crank is not a number: {text[:40]!r}.", None, "encoder_per_crank") from None
    if not np.isfinite(ratio) or not 1e-3 <= abs(ratio) <= 1e3:
        raise TraceRefused(f"encoder_per_crank is out of range: {text[:40]!r}.", None, "encoder_per_crank")
    return ratio


def _gaps(time_s: Floats) -> list[int]:
    """Steps that last much longer than the usual one; none when there are too many to be gaps."""
    lasted = np.diff(time_s)
    usual = median(lasted) if len(lasted) else 0.0
    gaps = np.flatnonzero(lasted > GAP_PACES * usual) if usual > 0.0 else np.array([], dtype=int)
    return gaps.tolist() if len(gaps) <= MOST_GAPS else []


def unrolled(encoder_deg: Floats, time_s: Floats | None = None) -> Floats:
    """Take out the wraps of an encoder that starts again at 360 degrees.

    An encoder whose readings leave one turn is cumulative already and is returned as it is. The wraps are
    placed by the step nearest to nothing: between two samples the shaft turns by less than half a turn. Across a
    gap of the record the nearest to what the shaft's speed would make is taken instead, the lesser of that before the
    gap and that after it: a step over another gap close by, beside a repeated time stamp, looks fast. Where no two
    samples show a wrap, a gap of seconds shows none either: the record rested while the shaft was turned back.

    Parameters
    ----------
    encoder_deg : ndarray, shape (n,)
        Encoder shaft degrees, wrapped at 360 (from 0 or from -180) or cumulative.
    time_s : ndarray, shape (n,), optional
        Seconds; without it no gap is known.

    Returns
    -------
    ndarray, shape (n,)
        Cumulative, equal to the first sample at the start.
    """
    low, high = float(encoder_deg.min()), float(encoder_deg.max())
    if high - low > 360.0 or not ((low >= 0.0 and high <= 360.0) or (low >= -180.0 and high <= 180.0)):
        return encoder_deg
    moved = np.diff(encoder_deg)
    turns = np.round(moved / -360.0)
    if time_s is not None:
        usual = quantile(np.abs(moved), 0.9) if len(moved) else 0.0
        gaps = _gaps(time_s)
        seen = bool(np.delete(turns, gaps).any())
        for gap in gaps:
            if not seen and time_s[gap + 1] - time_s[gap] > BACK_S:
                turns[gap] = 0.0    # no sample shows a wrap, and meanwhile the shaft may have been turned back
                continue
            speeds = [float((moved[part] + 360.0 * turns[part]).sum()) / lasted
                      for part in (slice(max(0, gap - SPEED_SAMPLES), gap), slice(gap + 1, gap + 1 + SPEED_SAMPLES))
                      if (lasted := float(time_s[min(part.stop, len(moved))] - time_s[part.start])) > 0.0]
            if speeds:
                speed = min(speeds, key=abs) if min(speeds) * max(speeds) > 0.0 else 0.0
                expected = speed * float(time_s[gap + 1] - time_s[gap])
                if abs(expected) > 180.0 and abs(moved[gap]) <= STOOD_ROWS * usual:
                    continue        # it reads on where it was: the shaft stood meanwhile
                turns[gap] = np.round((expected - moved[gap]) / 360.0)
    if not turns.any():
        return encoder_deg
    out = encoder_deg.copy()
    out[1:] += 360.0 * np.cumsum(turns)
    return out
