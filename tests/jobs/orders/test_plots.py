"""The plot of a trace is drawn from what was kept, not from another analysis."""

from __future__ import annotations

import json
import os
import shutil
import time
from pathlib import Path
from typing import Any

import pytest

import analysis
from jobs.orders import plots, storage
from jobs.orders.models import Analysis, Trace

SAMPLES = Path(__file__).parents[2] / "data" / "samples"
SPEC: dict[str, Any] = json.loads((SAMPLES / "clean-1.spec.json").read_text())
BYTES = (SAMPLES / "clean-1.csv.gz").read_bytes()


@pytest.fixture(autouse=True)
def _own_store(settings: Any, tmp_path: Path) -> None:
    settings.TRACE_DIR = tmp_path / "traces"


@pytest.fixture
def kept() -> tuple[Trace, Analysis]:
    """A stored trace with its result, as rows that no database has."""
    sha256 = storage.traces().keep([BYTES]).sha256
    trace = Trace(bytes_id=sha256)
    return trace, Analysis(trace=trace, spec=SPEC, result=analysis.analyse(BYTES, SPEC))


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How often a trace was analysed for a plot."""
    calls: list[int] = []
    original = plots.work

    def work(*args: Any) -> Any:
        calls.append(1)
        return original(*args)

    monkeypatch.setattr(plots, "work", work)
    return calls


def files() -> list[Path]:
    return [path for path in plots.folder().rglob("*") if path.is_file() and path.name != ".making"]


def test_one_analysis_serves_every_window(kept: tuple[Trace, Analysis], counted: list[int]) -> None:
    crest = plots.series(*kept)["crest_deg"]
    for window in (None, (crest - 5, crest + 5), (crest - 0.05, crest + 0.05)):
        shown = plots.series(*kept, window=window)
        assert shown == analysis.plot_data(BYTES, SPEC, kept[1].result, window=window)
    assert len(counted) == 1


def test_the_worker_leaves_what_the_first_look_needs(kept: tuple[Trace, Analysis], counted: list[int]) -> None:
    analysis.analyse(BYTES, SPEC, look_at=plots.keeper(kept[0].bytes_id, SPEC))
    plots.series(*kept)
    assert counted == []


def test_the_folder_can_be_deleted_at_any_time(kept: tuple[Trace, Analysis], counted: list[int]) -> None:
    first = plots.series(*kept)
    shutil.rmtree(plots.folder())
    assert plots.series(*kept) == first
    assert len(counted) == 2


@pytest.mark.parametrize("harm", [b"", b"midflank-plot 1\n{}\n", b"\0" * 4096])
def test_a_file_that_is_damaged_is_made_again(
    kept: tuple[Trace, Analysis], counted: list[int], harm: bytes
) -> None:
    first = plots.series(*kept)
    plots.path_of(kept[0].bytes_id, SPEC).write_bytes(harm)
    assert plots.series(*kept) == first
    assert len(counted) == 2


def test_another_spec_or_version_is_another_file(
    kept: tuple[Trace, Analysis], monkeypatch: pytest.MonkeyPatch
) -> None:
    sha256 = kept[0].bytes_id
    named = {plots.path_of(sha256, SPEC), plots.path_of(sha256, {**SPEC, "tolerance_deg": 9.0})}
    monkeypatch.setattr(analysis, "__version__", "another")
    named.add(plots.path_of(sha256, SPEC))
    assert len(named) == 3


def test_bytes_that_were_altered_or_lost_are_told_although_the_plot_is_kept(kept: tuple[Trace, Analysis]) -> None:
    plots.series(*kept)
    path = storage.traces().path(kept[0].bytes_id)
    path.chmod(0o600)
    path.write_bytes(BYTES[:-1] + b"\x7f")
    with pytest.raises(storage.BytesAlteredError):
        plots.series(*kept)
    path.unlink()
    with pytest.raises(storage.BytesMissingError):
        plots.series(*kept)


def test_bytes_restored_from_a_back_up_are_proved_and_drawn(kept: tuple[Trace, Analysis]) -> None:
    first = plots.series(*kept)
    path = storage.traces().path(kept[0].bytes_id)
    os.utime(path, (1.0, 1.0))
    assert plots.series(*kept) == first


def test_what_was_looked_at_longest_ago_makes_room(kept: tuple[Trace, Analysis], settings: Any) -> None:
    plots.series(*kept)
    (first,) = files()
    old = first.with_name("f" * 64 + ".plot")
    old.write_bytes(b"x" * 1000)
    os.utime(old, (1.0, 1.0))
    left = plots.folder() / ".incoming-left"
    left.write_bytes(b"of a killed process")
    os.utime(left, (1.0, 1.0))
    settings.PLOT_CACHE_BYTES = first.stat().st_size + 10
    plots.keeper(kept[0].bytes_id, SPEC)(plots.work(plots.read_trace(BYTES), plots.read_spec(SPEC)))
    assert files() == [first]


def test_a_disk_that_is_full_keeps_nobody_from_the_plot(
    kept: tuple[Trace, Analysis], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*args: Any, **kwargs: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(plots.plotfile, "save", full)
    assert plots.series(*kept)["sweeps"]
    assert files() == []


def test_a_file_in_use_is_not_the_first_to_go(kept: tuple[Trace, Analysis]) -> None:
    plots.series(*kept)
    (path,) = files()
    os.utime(path, (1.0, 1.0))
    plots.series(*kept)
    assert time.time() - path.stat().st_mtime < 60
