"""Shared by all tests: a data folder of their own, and a way to empty append-only tables between tests."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

# Before Django reads its settings: nothing a test writes may land beside a real shop's data.
_SCRATCH = Path(tempfile.mkdtemp(prefix="midflank-tests-"))
os.environ["MIDFLANK_DATA"] = str(_SCRATCH)
os.environ.setdefault("MIDFLANK_SECRET_KEY", "only-for-tests-" + "x" * 50)
# Processes that share the tests share one broker: each has a queue of its own, as it has a database.
_QUEUE = "midflank-" + os.environ.get("PYTEST_XDIST_WORKER", "tests")
os.environ["MIDFLANK_QUEUE"] = _QUEUE

import gc  # noqa: E402
import shutil  # noqa: E402
from collections.abc import Iterator  # noqa: E402
from typing import Any  # noqa: E402

import pytest  # noqa: E402
from django.db import connections, transaction  # noqa: E402
from django.db.backends.base.operations import BaseDatabaseOperations  # noqa: E402
from hypothesis import settings as hypothesis_settings  # noqa: E402

from tests import examples  # noqa: E402

pytest_plugins = ["tests.prepared", "tests.cast", "tests.floor", "tests.sharing", "tests.yard"]


def _move_data_to_scratch() -> None:
    """pytest-django reads the settings before it reads this file, so they still name the real data folder."""
    from django.conf import settings

    old = settings.DATA_DIR
    keys = ("SIGNING_P12", "SIGNING_PASSPHRASE_FILE")
    for name in ("TRACE_DIR", "CARD_DIR", "PHOTO_DIR", "MEDIA_ROOT", *keys):
        path = Path(getattr(settings, name))
        if path.is_relative_to(old):
            moved = _SCRATCH / path.relative_to(old)
            setattr(settings, name, type(getattr(settings, name))(moved))
    settings.DATA_DIR = _SCRATCH
    settings.CELERY_TASK_DEFAULT_QUEUE = _QUEUE
    settings.STATIC_ROOT = _SCRATCH / "static"  # empty, but there: its absence is a warning
    settings.STATIC_ROOT.mkdir()


_move_data_to_scratch()
hypothesis_settings.load_profile(examples.PROFILE)


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """What is loaded to run the tests stays until the end: the collector need not look through it time and again."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.collect()
        gc.freeze()
        gc.enable()


def pytest_unconfigure(config: pytest.Config) -> None:
    shutil.rmtree(_SCRATCH, ignore_errors=True)


@pytest.fixture(autouse=True)
def _plain_static_files(settings: Any) -> None:
    """Pages name static files without the manifest that `collectstatic` makes."""
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
    }


@pytest.fixture(autouse=True)
def _quick_passwords(settings: Any) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(autouse=True, scope="session")
def _append_only_tables_can_be_emptied_between_tests() -> Iterator[None]:
    """A transactional test ends with a flush, which the triggers refuse, as they should: lift them for it."""
    from jobs.ledger.triggers import APPEND_ONLY_TABLES, create_sql, drop_sql

    original = BaseDatabaseOperations.execute_sql_flush

    def flush(self: BaseDatabaseOperations, sql_list: list[str]) -> None:
        connection = connections[self.connection.alias]
        existing = set(connection.introspection.table_names())
        tables = [table for table in APPEND_ONLY_TABLES if table in existing]
        with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
            for table in tables:
                for statement in drop_sql(connection.vendor, table):
                    cursor.execute(statement)
            original(self, sql_list)
            for table in tables:
                for statement in create_sql(connection.vendor, table):
                    cursor.execute(statement)

    BaseDatabaseOperations.execute_sql_flush = flush  # type: ignore[method-assign]
    yield
    BaseDatabaseOperations.execute_sql_flush = original  # type: ignore[method-assign]
