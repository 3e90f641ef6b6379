"""Filters that nobody can mean: said so on page, CSV and API, and never taken for no filter at all."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client

from jobs.ledger.models import Entry
from jobs.people.models import Person

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]
Write = Callable[..., Entry]

BEYOND_ANY_ROW = str(10**25)
BEYOND_TIME = "9999-12-31T23:59:59-14:00"


@pytest.mark.parametrize("query", ["until_day=9999-12-31", "from_day=0001-01-01", "from_day=yesterday"])
def test_a_day_that_is_none_shows_no_entry_and_says_why(
    login: Login, auditor: Person, write: Write, query: str
) -> None:
    write("order.requested", "Asked for.")
    page = login(auditor).get(f"/history/?{query}")
    assert page.status_code == 200
    assert "Asked for." not in page.text
    assert "out of range" in page.text or "valid date" in page.text


@pytest.mark.parametrize("query", ["until_day=9999-12-31", "from_day=yesterday", "kind=nothing"])
def test_a_filter_that_is_none_exports_nothing(login: Login, auditor: Person, write: Write, query: str) -> None:
    write("order.requested", "Asked for.")
    answer = login(auditor).get(f"/history.csv?{query}")
    assert answer.status_code == 422
    assert "Asked for." not in answer.text


@pytest.mark.parametrize(
    "address",
    [
        f"{rows}/?{name}={value}"
        for rows, name, value in (
            ("cards", "order", BEYOND_ANY_ROW),
            ("signoffs", "order", BEYOND_ANY_ROW),
            ("traces", "order", BEYOND_ANY_ROW),
            ("findings", "order", BEYOND_ANY_ROW),
            ("history", "actor", BEYOND_ANY_ROW),
            ("history", "at_before", BEYOND_TIME),
            ("history", "until_day", "9999-12-31"),
            ("orders", "needed_before", BEYOND_TIME),
            ("signoffs", "signed_from", BEYOND_TIME),
            ("traces", "uploaded_before", BEYOND_TIME),
        )
    ],
)
def test_a_value_that_no_database_can_hold_is_not_accepted(login: Login, auditor: Person, address: str) -> None:
    assert login(auditor).get(f"/api/v1/{address}").status_code == 422
