"""Columnar traces: Apache Parquet and ASAM MDF 4, in the names of the contract.

Sizes are checked before anything is read, only the known columns are read, and a refusal names the channel. In
these forms no line can be named; a value that is not finite is refused with its record in the message.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.csvtext import LIFTS, MAX_SAMPLES, OPTIONAL, REQUIRED
from analysis.errors import TraceRefused

Floats = npt.NDArray[np.float64]
PARQUET_MAGIC = b"PAR1"
MDF_MAGIC = b"MDF     "
MDF_SECONDS = 120


def wanted(names: list[str], word: str) -> list[str]:
    """The known columns that are there; refused when one that is needed is not."""
    for name in REQUIRED:
        if name not in names:
            raise TraceRefused(f"{word} {name} is missing.", None, name)
    lifts = [name for name in LIFTS if name in names]
    if not lifts:
        raise TraceRefused(f"{word} lift_mm is missing, and so is lift_counts.", None, "lift_mm")
    found = [*REQUIRED, lifts[0], *(name for name in OPTIONAL if name in names)]
    for name in found:
        if names.count(name) > 1:
            raise TraceRefused(f"{word} {name} stands twice.", None, name)
    return found


def checked(columns: dict[str, Floats]) -> dict[str, Floats]:
    """Refuse what no sample may be: not finite, of unequal length, time running backwards, nothing at all."""
    sizes = {len(column) for column in columns.values()}
    if len(sizes) != 1:
        raise TraceRefused("The channels differ in length.", None, None)
    if sizes == {0}:
        raise TraceRefused("The trace holds no samples.")
    for name, column in columns.items():
        bad = np.flatnonzero(~np.isfinite(column))
        if len(bad):
            raise TraceRefused(f"{name} is not a number in record {int(bad[0]) + 1}.", None, name)
    back = np.flatnonzero(np.diff(columns["time_s"]) < 0)
    if len(back):
        raise TraceRefused(f"time_s runs backwards at record {int(back[0]) + 2}.", None, "time_s")
    return columns


def read_parquet(stream: BinaryIO) -> tuple[dict[str, str], dict[str, Floats]]:
    """Read a Parquet trace: (metadata, columns)."""
    try:
        file = pq.ParquetFile(stream)
        if file.metadata.num_rows > MAX_SAMPLES:
            raise TraceRefused(f"The trace holds more than {MAX_SAMPLES:,} samples.")
        names = wanted(list(file.schema_arrow.names), "Column")
        table = file.read(columns=names, use_threads=False)
        metadata = {key.decode("utf-8", "replace"): value.decode("utf-8", "replace")
                    for key, value in (file.schema_arrow.metadata or {}).items() if not key.startswith(b"ARROW:")}
    except (pa.ArrowException, OSError, ValueError) as wrong:
        raise TraceRefused(f"The Parquet file cannot be read ({_short(wrong)}).") from None
    return metadata, checked({name: _plain(table[name], name) for name in names})


def _plain(column: pa.ChunkedArray, name: str) -> Floats:
    if not (pa.types.is_floating(column.type) or pa.types.is_integer(column.type)):
        raise TraceRefused(f"{name} is not a column of numbers but of {column.type}.", None, name)
    if column.null_count:
        record = column.is_null().to_numpy(zero_copy_only=False).argmax() + 1
        raise TraceRefused(f"{name} is blank in record {record}.", None, name)
    return np.asarray(column.to_numpy(), dtype=np.float64)


def read_mdf(data: bytes) -> tuple[dict[str, str], dict[str, Floats]]:
    """Read an MDF 4 trace in a process of its own (see mdf.py): (metadata, columns)."""
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "trace.mf4", Path(folder) / "trace.npz"
        source.write_bytes(data)
        root = str(Path(__file__).resolve().parent.parent)
        with contextlib.suppress(subprocess.TimeoutExpired):
            subprocess.run([sys.executable, "-m", "analysis.mdf", str(source), str(target)], cwd=root, check=False,
                           timeout=MDF_SECONDS, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if not target.exists():
            raise TraceRefused("The MDF file cannot be read: it is damaged or not version 4.")
        with np.load(target) as found:
            told = json.loads(str(found["told"]))
            columns = {name[2:]: found[name] for name in found.files if name.startswith("c_")}
    if "refused" in told:
        raise TraceRefused(told["refused"]["message"], None, told["refused"]["column"])
    return told["metadata"], checked(columns)


def _short(wrong: BaseException) -> str:
    return (str(wrong).splitlines() or [type(wrong).__name__])[0][:120]
