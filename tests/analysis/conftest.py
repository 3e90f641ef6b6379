"""What several tests of the analysis do without."""

import math

import pytest

from analysis.reference import budget


@pytest.fixture
def no_wandering(monkeypatch: pytest.MonkeyPatch) -> None:
    """Errors that go on for seconds widen no interval: what was left out would else be told by them."""
    monkeypatch.setattr(budget, "LONGER_S", ())
    monkeypatch.setattr(budget, "SLOW", math.inf)
