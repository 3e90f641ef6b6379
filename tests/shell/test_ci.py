"""What runs beside the suite in `.ci/run` can fail it, is told whole and in its turn, and is ended with it."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.shell.paths import ROOT


@pytest.fixture
def dry(tmp_path: Path) -> Path:
    """`.ci/run` with scripts and a `make` that only say what they were asked for."""
    for folder in (".ci", "scripts", "bin"):
        (tmp_path / folder).mkdir()
    shutil.copy2(ROOT / ".ci" / "run", tmp_path / ".ci" / "run")
    put(tmp_path / "scripts" / "setup.sh", 'echo "set up $*"')
    put(tmp_path / "bin" / "make", 'echo "made $2"; until [ -e begun ]; do sleep 0.05; done; [ "$2" != "${FAILS:-}" ]')
    put(
        tmp_path / "scripts" / "test-fresh-clone.sh",
        'trap "touch ended" EXIT\necho "a newcomer came"\ntouch begun\nsleep "${LASTS_S:-0}"\nexit "${ANSWER:-0}"',
    )
    return tmp_path


def put(path: Path, body: str) -> None:
    path.write_text(f"#!/usr/bin/env bash\n{body}\n", encoding="utf-8")
    path.chmod(0o755)


def run(dry: Path, **more: str) -> tuple[int, list[str]]:
    """What it ended with, and the lines it printed that are not headings."""
    answer = subprocess.run(
        [dry / ".ci" / "run"],
        env={**os.environ, **more, "PATH": f"{dry / 'bin'}:{os.environ['PATH']}", "TMPDIR": str(dry)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (dry / "ended").exists()
    assert list(dry.glob("tmp.*")) == []
    return answer.returncode, [line for line in answer.stdout.splitlines() if line and not line.startswith("==")]


def test_all_is_run_and_told_in_turn(dry: Path) -> None:
    assert run(dry) == (0, ["set up debian", "made test", "a newcomer came", "made test-production"])


def test_a_newcomer_that_fails_fails_the_run(dry: Path) -> None:
    assert run(dry, ANSWER="3") == (3, ["set up debian", "made test", "a newcomer came"])


def test_a_suite_that_fails_ends_the_newcomer(dry: Path) -> None:
    assert run(dry, FAILS="test", LASTS_S="300") == (1, ["set up debian", "made test"])


def test_the_second_suite_fails_the_run_too(dry: Path) -> None:
    code, lines = run(dry, FAILS="test-production")
    assert (code, lines[-1]) == (1, "made test-production")
