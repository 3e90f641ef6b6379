"""A calendar without any working time is one of somebody who is never there, not of somebody who always is."""

from __future__ import annotations

from typing import Any

from analysis.schedule.check import check
from analysis.schedule.plan import plan


def problem(probes: dict[str, list[list[str]] | None], *, previous: str = "") -> dict[str, Any]:
    day = ["2026-03-16T06:00:00Z", "2026-03-16T22:00:00Z"]
    found: dict[str, Any] = {
        "now": "2026-03-16T06:00:00Z",
        "calendars": {name: spans for name, spans in probes.items() if spans is not None},
        "resources": [
            {"id": "bay", "kind": "bay", "calendar": "bay"},
            *({"id": name, "kind": "probe", **({} if spans is None else {"calendar": name})}
              for name, spans in probes.items()),
        ],
        "orders": [{"id": "one", "due": "2026-03-16T12:00:00Z", "operations": [
            {"id": "one/set", "minutes": 60, "after": [], "needs": [{"kind": "bay"}, {"kind": "probe"}]}]}],
        "weights": {"tardiness": 1, "moved_start": 60, "changed_resource": 60},
    }  # fmt: skip
    found["calendars"]["bay"] = [day]
    if previous:
        found["previous"] = {"one/set": {"start": "2026-03-16T07:00:00Z", "resources": ["bay", previous]}}
    return found


def test_an_order_is_left_out_when_its_only_probe_is_never_there() -> None:
    made: Any = plan(problem({"PR-07": []}), seconds=0.0)
    assert made["bookings"] == {}
    (left_out,) = made["unscheduled"]
    assert "probe" in left_out["reason"] or "PR-07" in left_out["reason"]
    assert check(problem({"PR-07": []}), made) == []


def test_the_reason_of_a_move_is_that_the_probe_is_not_there() -> None:
    stated = problem({"PR-07": [], "PR-09": None}, previous="PR-07")
    made: Any = plan(stated, seconds=0.2)
    assert check(stated, made) == []
    assert made["bookings"]["one/set"]["resources"] == ["bay", "PR-09"]
    (moved,) = made["moved"]
    assert moved["class"] == "absent"
    assert "PR-07" in moved["reason"]
    assert "by itself" not in moved["reason"]
