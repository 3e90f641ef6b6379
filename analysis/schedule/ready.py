"""Have the planner's inner loops compiled and kept before anybody waits for a plan."""

from __future__ import annotations

import copy
from typing import Any

DAY = ["2026-01-05T06:00:00Z", "2026-01-05T22:00:00Z"]
STEPS = 400                         # enough for looking ahead as well


def _order(number: int) -> dict[str, Any]:
    name = f"order-{number}"
    bay, probe = {"kind": "bay", "hold": "order"}, {"kind": "probe", "hold": "order"}
    person = {"kind": "person", "skill": "timing"}
    return {
        "id": name, "due": "2026-01-05T07:00:00Z", "weight": 1 + number % 3, "promise": "2026-01-05T08:00:00Z",
        "operations": [
            {"id": f"{name}/prepare", "minutes": 30, "after": [], "needs": [bay, person]},
            {"id": f"{name}/set", "minutes": 60, "after": [f"{name}/prepare"], "needs": [bay, person, probe]},
            {"id": f"{name}/look", "minutes": 0, "after": [f"{name}/set"], "needs": [bay, person]},
            {"id": f"{name}/close", "minutes": 300, "may_pause": True, "after": [f"{name}/look"],
             "needs": [bay, person, probe]},
        ],
    }  # fmt: skip


def problem() -> dict[str, Any]:
    """A small shop in which nearly everything is late, so that every part of the search has something to do."""
    days = [[moment.replace("-05T", f"-{day:02d}T") for moment in DAY] for day in range(5, 26)]
    people = [{"id": f"person-{one}", "kind": "person", "calendar": "shifts",
               "skills": {"timing": ["2025-01-01T00:00:00Z", "2027-01-01T00:00:00Z"]}} for one in range(3)]  # fmt: skip
    return {
        "now": DAY[0], "calendars": {"shifts": days},
        "resources": [{"id": "bay-1", "kind": "bay"}, {"id": "bay-2", "kind": "bay"}, *people,
                      {"id": "PR-1", "kind": "probe"}, {"id": "PR-2", "kind": "probe"}],
        "orders": [_order(number) for number in range(8)], "weights": {"tardiness": 1},
    }  # fmt: skip


def project() -> dict[str, Any]:
    """One order on a bench of three places of which each operation takes two, so that no bound ends the lists."""
    return {
        "now": DAY[0], "resources": [{"id": "bench", "kind": "bench", "capacity": 3}], "weights": {"makespan": 1},
        "orders": [{"id": "project", "operations": [
            {"id": f"step-{one}", "minutes": 15 * (1 + one % 3), "after": [f"step-{one - 2}"] if one % 4 > 1 else [],
             "needs": [{"kind": "bench", "amount": 2}]} for one in range(8)]}],
    }  # fmt: skip


def get_ready() -> None:
    """Plan and mend a shop, plan a project: compiles what is not compiled yet, about a minute of one core, once."""
    from analysis.schedule.plan import plan

    first = problem()
    made: Any = plan(first, seconds=0.0, steps=STEPS)
    later = copy.deepcopy(first)
    later["now"] = "2026-01-05T06:30:00Z"
    later["weights"] = {"tardiness": 1, "moved_promise": 4, "moved_start": 30, "changed_resource": 30}
    later["previous"] = {key: {"start": one["start"], "resources": one["resources"]}
                         for key, one in made["bookings"].items()}  # fmt: skip
    plan(later, seconds=0.0, steps=STEPS)
    plan(project(), seconds=0.0, steps=STEPS)
