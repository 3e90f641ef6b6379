"""A shop of two orders that fits on a page, with a plan that holds; the tests break one thing at a time."""

from __future__ import annotations

from tests.analysis.schedule.twin import whole_plan


def at(day, clock):
    """An instant in March 2026; the 2nd is a Monday."""
    return f"2026-03-{day:02d}T{clock}:00Z"


def shop():
    bay = {"kind": "bay", "hold": "order"}
    timing = {"kind": "person", "skill": "timing"}
    probe = {"any_of": ["PR-07", "PR-08"], "hold": "order"}
    return {
        "now": at(2, "05:00"), "grid_minutes": 15,
        "calendars": {"early": [[at(day, "06:00"), at(day, "14:00")] for day in (2, 3, 4)],
                      "late": [[at(day, "14:00"), at(day, "22:00")] for day in (2, 3, 4)]},
        "resources": [
            {"id": "bay-1", "kind": "bay"}, {"id": "bay-2", "kind": "bay"},
            {"id": "ann", "kind": "person", "calendar": "early",
             "skills": {"timing": [at(1, "00:00"), at(3, "10:00")]}},
            {"id": "bob", "kind": "person", "calendar": "late",
             "skills": {"timing": [at(1, "00:00"), at(30, "00:00")], "inspection": [at(1, "00:00"), at(30, "00:00")]}},
            {"id": "cat", "kind": "person", "calendar": "early",
             "skills": {"inspection": [at(1, "00:00"), at(30, "00:00")]}},
            {"id": "PR-07", "kind": "instrument", "usable_until": at(3, "12:00")},
            {"id": "PR-08", "kind": "instrument", "usable_from": at(2, "12:00")},
            {"id": "crane", "kind": "crane", "capacity": 2},
        ],
        "orders": [
            {"id": "W-1", "release": at(2, "06:00"), "due": at(2, "08:00"), "weight": 3, "promise": at(2, "08:15"),
             "operations": [
                 {"id": "safe", "minutes": 30, "needs": [bay, timing]},
                 {"id": "found", "minutes": 60, "after": ["safe"], "needs": [bay, timing, probe]},
                 {"id": "seen", "minutes": 0, "after": ["found"],
                  "needs": [{"kind": "person", "skill": "inspection"}]},
                 {"id": "set", "minutes": 45, "after": [{"id": "seen", "lag_minutes": 15}],
                  "needs": [bay, timing, probe]}]},
            {"id": "W-2", "release": at(2, "06:00"), "due": at(4, "12:00"), "operations": [
                {"id": "lift", "minutes": 120, "may_pause": True,
                 "needs": [{"kind": "bay"}, {"kind": "person"}, {"kind": "crane", "amount": 2}]}]},
        ],
        "weights": {"tardiness": 2, "moved_promise": 1, "moved_start": 5, "changed_resource": 7, "makespan": 0.5},
    }


def bookings():
    return {
        "safe": {"start": at(2, "06:00"), "end": at(2, "06:30"), "resources": ["bay-1", "ann"]},
        "found": {"start": at(2, "06:30"), "end": at(2, "07:30"), "resources": [["bay-1"], ["ann"], ["PR-07"]]},
        "seen": {"start": at(2, "07:30"), "end": at(2, "07:30"), "resources": ["cat"]},
        "set": {"start": at(2, "07:45"), "end": at(2, "08:30"), "resources": ["bay-1", "ann", "PR-07"]},
        "lift": {"start": at(2, "13:00"), "end": at(3, "07:00"), "resources": ["bay-2", "ann", "crane"]},
    }


def plan(problem, booked):
    return whole_plan(problem, booked)


def operation(problem, name):
    return next(p for order in problem["orders"] for p in order["operations"] if p["id"] == name)


def resource(problem, name):
    return next(one for one in problem["resources"] if one["id"] == name)
