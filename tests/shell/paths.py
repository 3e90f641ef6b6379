"""Where the files of the set-up lie."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "scripts"
SHELL_FILES = [*sorted(SCRIPTS.glob("*.sh")), ROOT / ".ci" / "run"]
LOCK_FILES = [ROOT / "requirements.txt", ROOT / "requirements-dev.txt"]


def text_of(name: str) -> str:
    """What the file of this name, counted from the root of the tree, says."""
    return (ROOT / name).read_text(encoding="utf-8")
