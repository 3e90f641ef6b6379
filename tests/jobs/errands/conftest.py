"""Kinds of errands for tests alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from jobs.errands import registry
from jobs.errands.work import Claim

Run = Callable[[Claim], None]


@pytest.fixture
def kind() -> Iterator[Callable[..., None]]:
    """`kind("weigh", function, given_up=…)`: register a kind until the test ends."""
    before = dict(registry._KINDS)

    def register(code: str, run: Run, *, given_up: Callable[[Claim, str], None] | None = None) -> None:
        registry.handles(code, f"{code} it", given_up=given_up)(run)

    yield register
    registry._KINDS.clear()
    registry._KINDS.update(before)
