"""The series of a trace's plot, without analysing it again at every look.

What the plots of one trace are drawn from is kept as a file beside the traces, named by trace, spec and version of the
analysis: the worker that analyses the trace writes it, and whoever looks first where it is gone writes it again. Each
file gets its name only when it is whole. The folder is a cache: it can be deleted at any time, is kept below
`PLOT_CACHE_BYTES`, and needs no back-up.

That the trace's own bytes are still what was handed in is proved when a file is written, and again when the stamp of
the trace's file is no longer the one that was noted then.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import logging
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from django.conf import settings

import analysis
from analysis import plotfile
from analysis.engine import Work, work
from analysis.plotdata import PlotSource, drawn, prepared, reference_of
from analysis.spec import read_spec
from analysis.traces import read_trace
from jobs.ledger.chain import canonical
from jobs.orders import storage
from jobs.orders.models import Analysis, Trace

log = logging.getLogger(__name__)

POINTS = 4000
SUFFIX, INCOMING = ".plot", ".incoming-"
TOUCHED_AGAIN_S = 3600


def series(
    trace: Trace, made: Analysis, *, window: tuple[float, float] | None = None, points: int = POINTS
) -> dict[str, Any]:
    """The series of a window of the plot of an analysis; raises `StorageError` when the bytes are not to be had."""
    if trace.by_hand:
        data = storage.traces().read(trace.bytes_id)
        return analysis.hand_plot_data(data, made.spec, made.result, window=window)
    source = _source(trace.bytes_id, made.spec)
    return drawn(source, reference_of(made.result), points=points, window=window)


def keeper(sha256: str, spec: dict[str, Any]) -> Callable[[Work], None]:
    """For whoever analyses a trace: keeps what its plots need; a full disk is no reason to fail for."""

    def keep(done: Work) -> None:
        try:
            _write(sha256, spec, prepared(done))
        except OSError as wrong:
            log.warning("what the plots of trace %s need could not be kept: %s", sha256[:12], wrong)

    return keep


def folder() -> Path:
    """Where the files lie: beside the folder of the traces."""
    return Path(settings.TRACE_DIR).with_name("plots")


def path_of(sha256: str, spec: dict[str, Any]) -> Path:
    """The file for a trace by a spec in this version of the analysis."""
    named = canonical({"trace_sha256": sha256, "spec": spec, "analysis_version": analysis.__version__})
    name = hashlib.sha256(named).hexdigest()
    return folder() / name[:2] / f"{name}{SUFFIX}"


def _source(sha256: str, spec: dict[str, Any]) -> PlotSource:
    found = _kept(sha256, spec)
    if found is None:
        with _one_at_a_time():
            found = _kept(sha256, spec) or _made(sha256, spec)
    return found


def _kept(sha256: str, spec: dict[str, Any]) -> PlotSource | None:
    path = path_of(sha256, spec)
    try:
        found, about = plotfile.load(path)
        if time.time() - path.stat().st_mtime > TOUCHED_AGAIN_S:
            os.utime(path)
    except FileNotFoundError:
        return None
    except (OSError, plotfile.PlotFileError) as wrong:
        log.warning("%s is made again: %s", path.name, wrong)
        return None
    if about.get("stamp") != _stamp(sha256):
        storage.traces().opened(sha256).close()
    return found


def _made(sha256: str, spec: dict[str, Any]) -> PlotSource:
    storage.traces().opened(sha256).close()
    found = prepared(work(read_trace(storage.traces().path(sha256)), read_spec(spec)))
    try:
        _write(sha256, spec, found)
    except OSError as wrong:
        log.warning("what the plots of trace %s need could not be kept: %s", sha256[:12], wrong)
    return found


def _stamp(sha256: str) -> list[int] | None:
    """Size and moment of the last change of a trace's file; None when it is not there."""
    try:
        stat = storage.traces().path(sha256).stat()
    except FileNotFoundError:
        return None
    return [stat.st_size, stat.st_mtime_ns]


def _write(sha256: str, spec: dict[str, Any], source: PlotSource) -> None:
    """Put a file in its place, whole or not at all, and make room for it."""
    path = path_of(sha256, spec)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=INCOMING, dir=folder())
    incoming = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            plotfile.save(source, file, about={"stamp": _stamp(sha256), "trace_sha256": sha256})
        incoming.replace(path)
    finally:
        incoming.unlink(missing_ok=True)
    _make_room(settings.PLOT_CACHE_BYTES, spare=path)


def _make_room(limit_bytes: int, *, spare: Path) -> None:
    """Delete what was looked at longest ago until the rest is within the limit."""
    for left in folder().glob(f"{INCOMING}*"):  # of a process that was killed
        with contextlib.suppress(FileNotFoundError):
            if time.time() - left.stat().st_mtime > TOUCHED_AGAIN_S:
                left.unlink()
    files = []
    for path in folder().glob(f"*/*{SUFFIX}"):
        with contextlib.suppress(FileNotFoundError):
            stat = path.stat()
            files.append((stat.st_mtime_ns, stat.st_size, path))
    total = sum(size for _, size, _ in files)
    for _, size, path in sorted(files):
        if total <= limit_bytes:
            return
        if path != spare:
            path.unlink(missing_ok=True)
            total -= size


@contextlib.contextmanager
def _one_at_a_time() -> Iterator[None]:
    """One trace is read whole at a time on this machine, however many look; ends with the process that holds it."""
    folder().mkdir(parents=True, exist_ok=True)
    with (folder() / ".making").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
