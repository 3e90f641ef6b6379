"""Bodies that cannot be answered in UTF-8 are refused as such, not as a mistake of ours."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.test import Client

from jobs.people.models import Person


@pytest.mark.parametrize("body", ['{"reason": "\\ud800"}', '{"\\udfff": 1}', '["\\ud800"]'])
def test_half_a_surrogate_pair_is_no_text(login: Callable[[Person], Client], planner: Person, body: str) -> None:
    answer = login(planner).post("/api/v1/orders/", body, content_type="application/json")
    assert answer.status_code == 400
    assert "no Unicode text" in answer.json()["detail"]
