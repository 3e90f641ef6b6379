"""The source of a trace's plots as one file: a line of JSON that says what is where, then the arrays to be mapped.

    midflank-plot 1\\n
    {"arrays": {"residual": {"at": 0, "dtype": "<f8", "length": 312}, …}, "sweeps": […], …}\\n     padded to 64 bytes
    the arrays, each at its place from there

It is a cache: what is in it can be made again from the trace, and a file that cannot be read is no loss.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from analysis.decimate import Pyramid, level_sizes
from analysis.plotdata import Midline, PlotSource, SweepSeries

MAGIC = b"midflank-plot 1\n"
ALIGN = 64
MOST_HEADER = 1 << 20
Array = npt.NDArray[Any]
KINDS = ("<f8", "<i8")


class PlotFileError(Exception):
    """The file is not one of these, or not whole."""


def save(source: PlotSource, file: BinaryIO, *, about: dict[str, Any] | None = None) -> None:
    """Write a source to an open file; `about` is kept beside it and given back by `load`."""
    arrays: dict[str, Array] = {"residual_angle": source.residual_angle_deg, "residual": source.residual}
    for k, sweep in enumerate(source.sweeps):
        arrays |= {f"sweep{k}.angle": sweep.angle_deg, f"sweep{k}.lift": sweep.lift,
                   f"sweep{k}.least": sweep.pyramid.least, f"sweep{k}.greatest": sweep.pyramid.greatest,
                   f"sweep{k}.low": sweep.pyramid.low_deg, f"sweep{k}.high": sweep.pyramid.high_deg}
    for k, line in enumerate(source.midlines):
        arrays |= {f"midline{k}.lift": line.lift, f"midline{k}.middle": line.middle_deg}
    placed: dict[str, dict[str, Any]] = {}
    at = 0
    for name, array in arrays.items():
        kind = "<i8" if array.dtype.kind == "i" else "<f8"
        placed[name] = {"at": at, "dtype": kind, "length": len(array)}
        at += -(-8 * len(array) // ALIGN) * ALIGN
    header = json.dumps({
        "about": about or {}, "arrays": placed, "bytes": at,
        "sweeps": [{"direction": one.direction, "used": one.used} for one in source.sweeps],
        "midlines": [{"direction": one.direction} for one in source.midlines],
        "crest_to_tdc_deg": source.crest_to_tdc_deg, "target_deg": source.target_deg,
        "tolerance_deg": source.tolerance_deg, "lift_unit": source.lift_unit,
    }).encode()
    file.write(MAGIC)
    file.write(header)
    file.write(b" " * (-(len(MAGIC) + len(header) + 1) % ALIGN) + b"\n")
    for name, array in arrays.items():
        data = np.ascontiguousarray(array, dtype=placed[name]["dtype"])
        file.write(data.data if len(data) else b"")
        file.write(b"\0" * (-data.nbytes % ALIGN))


def load(path: Path) -> tuple[PlotSource, dict[str, Any]]:
    """The source kept in a file, its arrays mapped, and what was kept about it.

    Raises
    ------
    PlotFileError, OSError
    """
    with path.open("rb") as file:
        if file.readline(len(MAGIC)) != MAGIC:
            raise PlotFileError("not a plot file")
        line = file.readline(MOST_HEADER)
        start = file.tell()
        whole = np.memmap(file, dtype=np.uint8, mode="r")
    try:
        header = json.loads(line)
        if len(whole) < start + header["bytes"]:
            raise PlotFileError("the file is cut short")
        return _source(header, whole[start:]), dict(header["about"])
    except (ValueError, KeyError, TypeError) as wrong:
        raise PlotFileError(f"the head of the file cannot be read: {wrong}") from wrong


def _source(header: dict[str, Any], data: Array) -> PlotSource:
    def array(name: str, length: int | None = None) -> Array:
        place = header["arrays"][name]
        if place["dtype"] not in KINDS or (length is not None and place["length"] != length):
            raise ValueError(f"{name} is not as it should be")
        return data[place["at"]:place["at"] + 8 * place["length"]].view(place["dtype"])

    sweeps = []
    for k, one in enumerate(header["sweeps"]):
        n = header["arrays"][f"sweep{k}.angle"]["length"]
        blocks = sum(level_sizes(n))
        pyramid = Pyramid(*(array(f"sweep{k}.{name}", blocks) for name in ("least", "greatest", "low", "high")))
        sweeps.append(SweepSeries(one["direction"], one["used"], array(f"sweep{k}.angle"),
                                  array(f"sweep{k}.lift", n), pyramid))
    midlines = [Midline(one["direction"], array(f"midline{k}.lift"), array(f"midline{k}.middle"))
                for k, one in enumerate(header["midlines"])]
    return PlotSource(tuple(sweeps), tuple(midlines), array("residual_angle"), array("residual"),
                      header["crest_to_tdc_deg"], header["target_deg"], header["tolerance_deg"], header["lift_unit"])
