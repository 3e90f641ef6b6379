"""A database and a data folder that other threads and other processes can share with a test.

SQLite's usual test database lives in memory, where a second connection waits for nobody and a second process
sees nothing. `floor` puts a file in its place, laid out like it and opened with the settings of a real shop; on
PostgreSQL the test database serves as it is.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from django.db import connections


@dataclass(frozen=True)
class Floor:
    """The data folder, and the environment in which a process of Midflank works on the same data."""

    folder: Path
    environ: dict[str, str]


@pytest.fixture
def floor(transactional_db: None, tmp_path: Path, settings: Any) -> Iterator[Floor]:
    folder = tmp_path / "data"
    folder.mkdir()
    settings.TRACE_DIR, settings.PHOTO_DIR = folder / "traces", folder / "photos"
    settings.CARD_DIR = folder / "job-cards"
    settings.DATA_DIR = folder
    environ = {
        **os.environ,
        "DJANGO_SETTINGS_MODULE": "shopapp.settings",
        "MIDFLANK_DATA": str(folder),
        "MIDFLANK_SECRET_KEY": settings.SECRET_KEY,
        "PYTHONUNBUFFERED": "1",
    }
    if connections["default"].vendor == "postgresql":
        yield Floor(folder, {**environ, "DATABASE_URL": _url(connections["default"].settings_dict)})
        return
    environ.pop("DATABASE_URL", None)
    with _in_a_file(folder / "midflank.sqlite3"):
        yield Floor(folder, environ)


@contextmanager
def _in_a_file(path: Path) -> Iterator[None]:
    """Every connection of this process, of any thread, goes to the file while this lasts."""
    memory, was = connections["default"], connections.settings["default"]
    memory.ensure_connection()
    file = sqlite3.connect(path)
    memory.connection.backup(file)
    file.close()
    connections.settings["default"] = {**was, "NAME": path}
    del connections["default"]
    try:
        yield
    finally:
        connections["default"].close()
        connections.settings["default"] = was
        connections["default"] = memory


def _url(found: dict[str, Any]) -> str:
    password = f":{found['PASSWORD']}" if found["PASSWORD"] else ""
    return f"postgres://{found['USER']}{password}@{found['HOST']}:{found['PORT'] or 5432}/{found['NAME']}"
