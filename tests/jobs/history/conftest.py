from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from django.db import transaction

from jobs.ledger import actions as ledger
from jobs.ledger.models import Entry
from jobs.people.models import Person


@pytest.fixture
def write(planner: Person, at: datetime) -> Callable[..., Entry]:
    """Append an entry to Brackwater's ledger, by the planner at the usual instant unless told otherwise."""

    def append(kind: str, sentence: str, **fields: Any) -> Entry:
        fields = {"chain": "BY", "by": planner, "at": at, "about": [planner], **fields}
        with transaction.atomic():
            return ledger.append(kind, sentence=sentence, **fields)

    return append
