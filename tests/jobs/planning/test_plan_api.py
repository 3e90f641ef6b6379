"""The plan over the API: the same actions as the pages, with the same sentences."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from jobs.people.models import Person
from jobs.people.shopviews import OfShop
from jobs.planning.models import Change, Plan, Planning
from tests.yard import Yard


@pytest.fixture
def api(
    yard: Yard, login: Callable[[Person], Client], monkeypatch: pytest.MonkeyPatch, at: datetime
) -> Callable[..., Any]:
    """`api("GET", path, values)`: the planner's call, at the instant `at`."""
    monkeypatch.setattr(OfShop, "now", lambda self: at)
    client = login(yard.planner)

    def call(method: str, path: str, values: dict[str, Any] | None = None) -> Any:
        if method == "GET":
            return client.get(f"/api/v1/{path}")
        return client.post(f"/api/v1/{path}", values or {}, content_type="application/json")

    return call


def test_asked_watched_compared_and_accepted(api: Callable[..., Any], run_errands: Callable[[], int]) -> None:
    asked = api("POST", "plannings/", {"why": "Monday", "seconds": 0.2})
    assert asked.status_code == 202
    assert asked["Location"] == f"/api/v1/errands/{asked.json()['errand']}/"
    run_errands()
    found = api("GET", f"plannings/{asked.json()['id']}/").json()
    assert found["failure"] == ""
    assert found["plans"][0]["cost"]["orders"] == 6
    pk = found["plans"][0]["id"]
    accepted = api("POST", f"plans/{pk}/accept/", {"note": "agreed"})
    assert (accepted.status_code, accepted.json()["version"], accepted.json()["note"]) == (200, 1, "agreed")
    again = api("POST", f"plans/{pk}/accept/")
    assert again.status_code == 409
    assert again.json()["reasons"][0]["sentence"] == "This plan was accepted as version 1 already."
    whole = api("GET", f"plans/{pk}/").json()
    assert set(whole["plan"]["bookings"]) <= set(whole["names"])
    assert [one["id"] for one in api("GET", "plans/?accepted=true").json()["results"]] == [pk]


def test_moved_by_hand_and_taken_back(
    api: Callable[..., Any], plan_now: Callable[..., Plan], yard: Yard
) -> None:
    plan_now()
    board = api("GET", "plan-board/").json()
    key = f"{yard.orders['7019'].number}/close"
    start = datetime.fromisoformat(board["bookings"][key]["start"])
    wanted = {"operation": key, "start": (start + timedelta(days=1)).isoformat()}
    looked = api("POST", "plan-board/", {**wanted, "look_only": True}).json()
    assert "7019 ends" in looked["notes"][0]
    assert Change.objects.count() == 0
    made = api("POST", "plan-board/", wanted).json()
    assert made["notes"] == looked["notes"]
    assert [one["operation"] for one in api("GET", "plan-board/").json()["moves"]] == [key]
    assert api("POST", "plan-board/undo/").status_code == 204
    assert api("POST", "plan-board/undo/").status_code == 409
    assert api("POST", "plan-board/", {"operation": "BY-1/x", "look_only": True}).status_code == 404
    unknown = api("POST", "plan-board/", {**wanted, "when": "now"})
    assert unknown.status_code == 422
    api("POST", "plan-board/", wanted)
    accepted = api("POST", "plan-board/accept/", {"note": "by hand"})
    assert (accepted.status_code, accepted.json()["version"]) == (200, 2)


def test_trouble_and_promise(api: Callable[..., Any], plan_now: Callable[..., Plan], yard: Yard, at: datetime) -> None:
    plan_now()
    answer = api("POST", "plannings/trouble/", {"what": "PR-07", "starts_at": at.isoformat(), "hours": 5})
    assert answer.status_code == 202
    assert Planning.objects.latest("pk").why.startswith("PR-07 not there from")
    unknown = api("POST", "plannings/trouble/", {"what": "PR-99", "starts_at": at.isoformat()})
    assert unknown.status_code == 404
    order = yard.orders["4107"]
    offers = api("GET", f"orders/{order.pk}/promise/").json()
    assert offers["offers"][0]["sentence"].endswith("where the board has it.")
    given = api("POST", f"orders/{order.pk}/promise/", {"promised_at": offers["offers"][0]["at"]})
    assert given.status_code == 204
    order.refresh_from_db()
    assert order.promised_at == datetime.fromisoformat(offers["offers"][0]["at"])
