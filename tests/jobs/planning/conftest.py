"""The planner's browser, with the clock of the pages stopped."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from types import SimpleNamespace

import pytest
from django.test import Client
from django.utils import timezone

from jobs.people.models import Person
from tests.yard import Yard


@pytest.fixture
def now(monkeypatch: pytest.MonkeyPatch, at: datetime) -> datetime:
    """The clock of the pages stands at `at`; that of the worker goes on."""
    stopped = SimpleNamespace(now=lambda: at, localtime=timezone.localtime)
    for name in ("board", "plans", "minutes"):
        monkeypatch.setattr(f"jobs.planning.views.{name}.timezone", stopped)
    return at


@pytest.fixture
def desk(yard: Yard, login: Callable[[Person], Client], now: datetime) -> Client:
    """The planner's browser."""
    return login(yard.planner)
