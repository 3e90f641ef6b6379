"""A shop's ledger with a few entries, and hands that can reach past its guards."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta

import pytest
from django.db import connection, transaction

from jobs.ledger import actions
from jobs.ledger.models import Entry
from jobs.ledger.triggers import APPEND_ONLY_TABLES, create_sql, drop_sql
from jobs.people.models import Person


@pytest.fixture
def note(technician: Person, at: datetime) -> Callable[..., Entry]:
    """`note("…")`: append an entry about the technician to Brackwater's ledger."""

    def append(sentence: str = "noted", **more: object) -> Entry:
        with transaction.atomic():
            return actions.append(
                "role.granted",
                chain="BY",
                by=technician,
                at=at + timedelta(microseconds=1),
                sentence=sentence,
                about=[technician],
                data=more,
            )

    return append


@pytest.fixture
def entries(note: Callable[..., Entry]) -> list[Entry]:
    return [note(f"entry {number}", value=str(number)) for number in range(1, 6)]


@contextmanager
def unguarded() -> Iterator[None]:
    """As somebody with the database's password could: take the triggers away, and put them back afterwards."""
    tables = [(connection.vendor, table) for table in APPEND_ONLY_TABLES]
    with connection.cursor() as cursor:
        for statement in (line for table in tables for line in drop_sql(*table)):
            cursor.execute(statement)
        yield
        for statement in (line for table in tables for line in create_sql(*table)):
            cursor.execute(statement)
