"""Read an MDF 4 file in a process of its own: `python -m analysis.mdf IN OUT`.

The compiled part of the MDF reader trusts the file: a damaged one can bring the whole process down. So it runs
apart, with a limit of memory and time, and hands back plain arrays or a refusal.
"""

from __future__ import annotations

import contextlib
import json
import logging
import resource
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from analysis.csvtext import LIFTS, MAX_SAMPLES, OPTIONAL, REQUIRED
from analysis.errors import TraceRefused

Floats = npt.NDArray[np.float64]
MEMORY_BYTES = 6 << 30


def columns_of(file: Any) -> dict[str, Floats]:
    """The known channels; the master channel gives the time where no channel is called time_s."""
    from analysis.columnar import wanted

    present = [name for name in (*REQUIRED, *LIFTS, *OPTIONAL) if name in file.channels_db]
    own_time = "time_s" in present
    columns: dict[str, Floats] = {}
    for name in wanted(present if own_time else ["time_s", *present], "Channel"):
        if name == "time_s" and not own_time:
            continue
        signal = file.get(name)
        if len(signal.samples) > MAX_SAMPLES:
            raise TraceRefused(f"The trace holds more than {MAX_SAMPLES:,} samples.")
        if signal.samples.dtype.kind not in "fiu" or signal.samples.ndim != 1:
            raise TraceRefused(f"Channel {name} does not hold plain numbers.", None, name)
        columns[name] = np.asarray(signal.samples, dtype=np.float64)
        if not own_time and "time_s" not in columns:
            columns["time_s"] = np.asarray(signal.timestamps, dtype=np.float64) - signal.timestamps[:1]
    return columns


def metadata_of(file: Any) -> dict[str, str]:
    """`key = value` lines of the file's comment."""
    metadata: dict[str, str] = {}
    for line in str(getattr(file.header, "description", "") or "").splitlines():
        key, equals, value = line.lstrip("# ").partition("=")
        if equals:
            metadata[key.strip()] = value.strip()
    return metadata


def main(source: str, target: str) -> None:
    """Write the arrays of `source` to `target` (npz), or its refusal."""
    from asammdf import MDF

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    logging.getLogger("asammdf").setLevel(logging.CRITICAL)
    told: dict[str, object] = {}
    columns: dict[str, Floats] = {}
    try:
        with contextlib.closing(MDF(source)) as file:
            told["metadata"] = metadata_of(file)
            columns = columns_of(file)
    except TraceRefused as refused:
        told.update(refused.to_json())
    arrays: dict[str, Any] = {f"c_{name}": column for name, column in columns.items()}
    np.savez(Path(target), told=np.array(json.dumps(told)), **arrays)


if __name__ == "__main__":
    main(*sys.argv[1:3])
