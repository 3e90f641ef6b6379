"""The checker of plans: figures, moves, bound, ids and what stands for a plan that books nothing."""

import pytest

from analysis.schedule.check import check
from tests.analysis.schedule import small
from tests.analysis.schedule.small import at

FIGURES = [
    ("status", {"status": "done"}, {"status"}),
    ("an order's figures missing", {"orders": {}}, {"orders"}),
    ("objective", {"objective": 1}, {"objective"}),
    ("objective not a number", {"objective": None}, {"objective"}),
    ("no bound", {"bound": None}, {"bound"}),
    ("bound above the objective", {"bound": 10**9}, {"bound"}),
    ("optimal below its bound", {"status": "optimal"}, {"bound"}),
    ("a move that is none", {"moved": [{"operation": "safe", "reason": "start"}]}, {"moved"}),
    ("unknown booking", {"bookings": {**small.bookings(), "nothing": small.bookings()["safe"]}}, {"unknown"}),
    ("unreadable booking", {"bookings": {**small.bookings(), "lift": {"start": "Monday"}}},
     {"format", "completeness", "parts", "objective"}),
    ("an instant without offset", {"bookings": {**small.bookings(), "seen": {
        "start": "2026-03-02T07:30:00", "end": "2026-03-02T07:30:00", "resources": ["cat"]}}},
     {"format", "completeness", "precedence"}),
    ("an unknown order left out", {"unscheduled": [{"order": "W-9", "reason": "No place."}]}, {"unscheduled"}),
    ("an unknown skill as the reason", {"unscheduled": [{"order": "W-2", "reason": "No one.", "skill": "flying"}]},
     {"unscheduled", "orders", "parts", "objective"}),
    ("an unknown operation in a conflict", {"conflicts": [{"operation": "W-9", "sentence": "It cannot be."}]},
     {"conflicts"}),
    ("a conflict without sentence", {"conflicts": [{"operation": "set"}]}, {"conflicts"}),
    ("a conflict that names nothing", {"conflicts": [{"sentence": "It cannot be."}]}, {"conflicts"}),
    ("infeasible for no reason", {"status": "infeasible", "bookings": {}}, {"conflicts"}),
]


@pytest.mark.parametrize(("change", "expected"), [case[1:] for case in FIGURES], ids=[case[0] for case in FIGURES])
def test_wrong_figures_and_ids_are_found(change, expected):
    problem = small.shop()
    found = {one.rule for one in check(problem, {**small.plan(problem, small.bookings()), **change})}
    assert found == expected


@pytest.mark.parametrize("key", ["start", "end", "tardiness_minutes", "promise_moved_minutes"])
def test_each_figure_of_an_order_is_looked_at(key):
    problem = small.shop()
    plan = small.plan(problem, small.bookings())
    plan["orders"]["W-1"][key] = at(1, "00:00") if key in ("start", "end") else 29.5
    assert [(one.rule, one.order) for one in check(problem, plan)] == [("orders", "W-1")]


def test_the_figures_of_the_small_plan():
    """By hand: half an hour late by weight 3 and 2, a quarter over the promise, 26 hours to the last end at 0.5."""
    problem = small.shop()
    plan = small.plan(problem, small.bookings())
    plan.update(parts={"tardiness": 180, "moved_promise": 15, "moved_start": 0, "changed_resource": 0,
                       "makespan": 780}, objective=975, bound=975, status="optimal")
    assert check(problem, plan) == []


@pytest.mark.parametrize("part", ["tardiness", "moved_promise", "moved_start", "changed_resource", "makespan"])
def test_each_part_is_looked_at(part):
    problem = small.shop()
    plan = small.plan(problem, small.bookings())
    plan["parts"][part] += 1
    assert {one.rule for one in check(problem, plan)} == {"parts"}
    del plan["parts"][part]
    assert {one.rule for one in check(problem, plan)} == {"parts"}


def test_moves_are_listed_exactly():
    problem, booked = small.shop(), small.bookings()
    problem["previous"] = {
        "safe": {"start": at(2, "06:00"), "resources": [["bay-1"], ["ann"]]},
        "seen": {"start": at(2, "08:00"), "resources": ["cat"]},
        "set": {"start": at(2, "07:45"), "resources": ["bay-1", "bob", "PR-07"]},
        "gone": {"start": at(2, "07:45"), "resources": ["bay-1"]}}
    plan = small.plan(problem, booked)
    assert {entry["operation"] for entry in plan["moved"]} == {"seen", "set"}
    assert (plan["parts"]["moved_start"], plan["parts"]["changed_resource"]) == (5, 7)
    assert check(problem, plan) == []
    seen, other = plan["moved"]
    for moved in ([seen], [seen, other, seen], [seen, other, {"operation": "safe", "reason": "x"}],
                  [seen, {"operation": "set"}]):
        assert {one.rule for one in check(problem, {**plan, "moved": moved})} == {"moved"}, moved
    by_name = {entry["operation"]: entry["reason"] for entry in plan["moved"]}
    assert check(problem, {**plan, "moved": by_name}) == []


def test_an_order_left_out_is_left_out_whole_and_with_a_reason():
    problem, booked = small.shop(), small.bookings()
    lift = booked.pop("lift")
    plan = small.whole_plan(problem, booked, ["W-2"])
    assert check(problem, plan) == []
    assert {one.rule for one in check(problem, {**plan, "unscheduled": ["W-2"]})} == {"unscheduled"}
    assert {one.rule for one in check(problem, {**plan, "unscheduled": [{"order": "W-2", "reason": " "}]})} == {
        "unscheduled"}
    booked["lift"] = lift
    assert {one.rule for one in check(problem, plan)} == {"unscheduled"}


def test_a_plan_that_books_nothing_is_judged_by_its_reasons():
    problem = small.shop()
    conflict = {"order": "W-1", "operation": "set", "skill": "timing", "sentence": "Nobody may do it that day."}
    assert check(problem, {"status": "infeasible", "bookings": {}, "conflicts": [conflict], "unscheduled": []}) == []
    assert check(problem, {"status": "none-yet", "bookings": {}}) == []
    assert {one.rule for one in check(problem, {"status": "feasible", "bookings": {}})} >= {"completeness", "parts"}
