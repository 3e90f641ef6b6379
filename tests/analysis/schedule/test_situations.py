"""Situations that a planner of a shop meets, one by one: what the plan does and what it says."""

import copy
import json
from itertools import pairwise

import pytest

from analysis.schedule.check import check
from analysis.schedule.plan import plan
from tests.analysis.schedule.small import at, operation, resource

EVER = [at(1, "00:00"), at(30, "00:00")]
FRIDAY = at(6, "14:00")


def shop(*orders, **changed):
    """Two bays, three people on early and late shifts, two probes."""
    early = [[at(day, "06:00"), at(day, "14:00")] for day in (2, 3, 4, 5, 6)]
    late = [[at(day, "14:00"), at(day, "22:00")] for day in (2, 3, 4, 5, 6)]
    return {
        "now": at(2, "06:00"), "calendars": {"early": early, "late": late},
        "resources": [
            {"id": "bay-1", "kind": "bay"}, {"id": "bay-2", "kind": "bay"},
            {"id": "ann", "kind": "person", "calendar": "early", "skills": {"timing": EVER}},
            {"id": "bob", "kind": "person", "calendar": "late", "skills": {"timing": EVER, "inspection": EVER}},
            {"id": "cat", "kind": "person", "calendar": "early", "skills": {"inspection": EVER}},
            {"id": "PR-07", "kind": "instrument"}, {"id": "PR-08", "kind": "instrument"}],
        "orders": list(orders), "weights": {"tardiness": 1, "moved_start": 60, "changed_resource": 30}, **changed}


def order(name, *operations, due=FRIDAY, **more):
    """An order whose operations follow each other."""
    for before, after in pairwise(operations):
        after.setdefault("after", [before["id"]])
    return {"id": name, "release": at(2, "06:00"), "due": due, "operations": list(operations), **more}


def timing(name, minutes=60, **more):
    return {"id": name, "minutes": minutes, "needs": [{"kind": "person", "skill": "timing"}], **more}


def planned(problem, **how):
    """A plan that passes the checker."""
    made = plan(problem, **{"seconds": 0, **how})
    assert check(problem, made) == []
    return made


def text(made):
    return json.dumps(made["unscheduled"]) + json.dumps(made["conflicts"])


def test_an_order_without_any_place_is_named_with_the_requirement_and_the_rest_is_planned():
    problem = shop(order("W-1", timing("a")), order("W-2", timing("b")))
    operation(problem, "b")["needs"] = [{"kind": "person", "skill": "welding"}]
    resource(problem, "cat")["skills"]["welding"] = [at(1, "00:00"), at(1, "12:00")]
    made = planned(problem)
    assert [entry["order"] for entry in made["unscheduled"]] == ["W-2"]
    assert {"b", "welding"} <= set(made["unscheduled"][0]["ids"])
    assert "2026-03-01T12:00" in made["unscheduled"][0]["reason"]
    assert set(made["bookings"]) == {"a"}
    assert made["status"] == "feasible"


def test_an_order_that_cannot_be_read_does_not_block_the_rest():
    problem = shop(order("W-1", timing("a")), order("W-2", timing("b", after=["c"]), timing("c")))
    made = plan(problem, seconds=0)
    assert set(made["bookings"]) == {"a"}
    assert {"b", "c"} <= set(made["unscheduled"][0]["ids"])


def test_when_nothing_can_be_planned_the_conflicts_name_the_facts():
    problem = shop(order("W-1", timing("a")))
    for name in ("ann", "bob"):
        resource(problem, name)["skills"]["timing"] = [at(1, "00:00"), at(2, "06:30")]
    made = planned(problem)
    assert made["status"] == "infeasible"
    assert {"a", "timing"} <= set(made["conflicts"][0]["ids"])


def test_without_time_for_a_search_the_plan_of_the_rules_stands():
    problem = shop(*(order(f"W-{n}", timing(f"{n}"), due=at(2, "09:00")) for n in range(6)))
    made = planned(problem, seconds=0)
    assert len(made["bookings"]) == 6
    assert made["status"] in ("feasible", "optimal")


def test_after_a_small_event_only_what_must_moves_and_each_move_is_listed_with_its_reason():
    problem = shop(*(order(f"W-{n}", timing(f"{n}", 120)) for n in range(6)))
    made = planned(problem)
    later = copy.deepcopy(problem)
    later["previous"] = {name: {"start": one["start"], "resources": one["resources"]}
                         for name, one in made["bookings"].items()}
    first = min((one["start"], name) for name, one in made["bookings"].items() if one["resources"] == ["ann"])[1]
    later["calendars"]["early"] = [[at(2, "08:00"), at(2, "14:00")], *problem["calendars"]["early"][1:]]
    again = planned(later, seconds=2, steps=200)
    assert [one["operation"] for one in again["moved"]] == [first]
    assert again["moved"][0]["class"] == "absent"
    assert "ann" in again["moved"][0]["reason"]


def test_a_pin_that_cannot_stand_does_not_move_in_silence():
    problem = shop(order("W-1", timing("a", pin={"start": at(2, "07:00"), "resources": ["bob"]})),
                   order("W-2", timing("b")))
    made = planned(problem)
    assert set(made["bookings"]) == {"b"}
    assert {"W-1", "a", "bob"} <= set(made["unscheduled"][0]["ids"])
    assert "2026-03-02T14:00" in made["unscheduled"][0]["reason"], "says from when on bob works"


def test_work_in_hand_stands_against_a_new_fact_and_the_clash_is_marked():
    started = timing("a", 120, state="started", started_at=at(2, "06:00"), remaining_minutes=60)
    problem = shop(order("W-1", started), now=at(2, "07:00"),
                   previous={"a": {"start": at(2, "06:00"), "resources": ["ann"]}})
    resource(problem, "ann")["skills"]["timing"] = [at(1, "00:00"), at(2, "07:30")]
    made = plan(problem, seconds=0)
    assert made["bookings"]["a"] == {"start": at(2, "06:00"), "end": at(2, "08:00"), "resources": ["ann"]}
    assert {"a", "ann"} <= set(made["conflicts"][0]["ids"])


def test_of_a_double_booking_by_hand_neither_is_moved_and_both_are_told_with_their_whole_intervals():
    def in_hand(name):
        return timing(name, 120, state="started", started_at=at(2, "06:00"), remaining_minutes=60)

    problem = shop(order("W-1", in_hand("a")), order("W-2", in_hand("b")), now=at(2, "07:00"), previous={
        name: {"start": at(2, "06:00"), "resources": ["ann"]} for name in ("a", "b")})
    made = plan(problem, seconds=0)
    assert {made["bookings"][name]["start"] for name in ("a", "b")} == {at(2, "06:00")}
    clash = next(one for one in made["conflicts"] if {"a", "b", "ann"} <= set(one["ids"]))
    assert clash["sentence"].count("2026-03-02T06:00") == 2
    assert clash["sentence"].count("2026-03-02T08:00") == 2


def test_work_runs_over_midnight_in_a_night_shift():
    problem = shop(order("W-1", timing("a", 300)), calendars={
        "early": [[at(2, "22:00"), at(3, "06:00")]], "late": [[at(2, "22:00"), at(3, "06:00")]]})
    assert planned(problem)["bookings"]["a"]["end"] == at(3, "03:00")


@pytest.mark.parametrize(("day", "shift", "hours"), [
    ("2026-03-29", ["2026-03-28T22:00:00+00:00", "2026-03-29T06:00:00+01:00"], 7),
    ("2026-10-25", ["2026-10-24T22:00:00+01:00", "2026-10-25T06:00:00+00:00"], 9)])
def test_a_night_of_a_clock_change_has_seven_or_nine_hours(day, shift, hours):
    problem = shop(order("W-1", timing("a", 60 * hours), release=None, due=None),
                   order("W-2", timing("b", 60 * hours + 15), release=None, due=None),
                   now=shift[0], calendars={"early": [shift], "late": []})
    for one in problem["resources"]:
        one["skills"] = {"timing": ["2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z"]}
    made = planned(problem)
    assert set(made["bookings"]) == {"a"}, f"{hours} hours fit on {day}, a quarter more does not"


@pytest.mark.parametrize("what", ["skill", "instrument"])
def test_what_lapses_inside_an_operation_is_not_used_for_it(what):
    problem = shop(order("W-1", timing("a", 120)))
    operation(problem, "a")["needs"].append({"kind": "instrument"})
    if what == "skill":
        resource(problem, "ann")["skills"]["timing"] = [at(1, "00:00"), at(2, "07:45")]
    else:
        resource(problem, "PR-07")["usable_until"] = at(2, "07:45")
    used = planned(problem)["bookings"]["a"]
    assert used["resources"] == (["bob", "PR-07"] if what == "skill" else ["ann", "PR-08"])
    assert used["start"] == (at(2, "14:00") if what == "skill" else at(2, "06:00"))
    lapse = at(2, "08:00")
    if what == "skill":
        resource(problem, "ann")["skills"]["timing"][1] = lapse
    else:
        resource(problem, "PR-07")["usable_until"] = lapse
    assert planned(problem)["bookings"]["a"]["resources"] == ["ann", "PR-07"], "valid until the very end is valid"


def test_a_hold_point_is_a_gate_and_a_moment_that_no_longer_booking_lies_over():
    seen = {"id": "seen", "minutes": 0, "needs": [{"any_of": ["cat"]}]}
    problem = shop(order("W-1", timing("a", 60), seen, timing("c", 60)),
                   order("W-2", {"id": "long", "minutes": 240, "needs": [{"any_of": ["cat"]}]}))
    seen["pin"] = {"start": at(2, "08:00")}
    made = planned(problem)["bookings"]
    assert made["a"]["end"] <= at(2, "08:00") <= made["c"]["start"]
    assert made["seen"] == {"start": at(2, "08:00"), "end": at(2, "08:00"), "resources": ["cat"]}
    assert made["long"]["start"] >= at(2, "08:00"), "there are but two hours before the moment"


def test_an_urgent_order_behind_a_light_one_is_told_who_has_what_until_when():
    light = timing("light", 240, state="started", started_at=at(2, "06:00"), remaining_minutes=240)
    light["needs"] = [{"any_of": ["bay-1"]}]
    urgent = {"id": "urgent", "minutes": 60, "needs": [{"any_of": ["bay-1"]}]}
    problem = shop(order("W-1", light), order("W-2", urgent, due=at(2, "07:00"), weight=8),
                   previous={"light": {"start": at(2, "06:00"), "resources": ["bay-1"]}})
    reasons = planned(problem)["orders"]["W-2"]["late_because"]
    assert any("W-1" in one and "bay-1" in one and "2026-03-02T10:00" in one for one in reasons)


def test_the_same_input_and_seed_give_the_same_plan_byte_for_byte():
    problem = shop(*(order(f"W-{n}", timing(f"{n}", 90), due=at(2, "10:00"), weight=n % 3 + 1) for n in range(8)))
    made = [json.dumps(planned(problem, seconds=60, seed=5, steps=150)) for _ in range(2)]
    assert made[0] == made[1]


def test_an_operation_longer_than_any_common_window_is_caught_and_the_longest_window_is_named():
    problem = shop(order("W-1", timing("a", 540)), order("W-2", timing("b")))
    made = planned(problem)
    assert set(made["bookings"]) == {"b"}
    assert "540 minutes" in made["unscheduled"][0]["reason"]
    assert "480 minutes" in made["unscheduled"][0]["reason"]
    assert "2026-03-02T06:00" in made["unscheduled"][0]["reason"]


def test_a_result_that_comes_too_late_overwrites_nothing_that_began_meanwhile():
    problem = shop(*(order(f"W-{n}", timing(f"{n}", 120)) for n in range(4)))
    made = planned(problem)
    later = copy.deepcopy(problem)
    later["now"] = at(2, "06:30")
    later["previous"] = {name: {"start": one["start"], "resources": one["resources"]}
                         for name, one in made["bookings"].items()}
    begun = next(name for name, one in made["bookings"].items() if one["start"] == at(2, "06:00"))
    other = next(name for name in made["bookings"] if name != begun)
    later["previous"][other] = {"start": at(2, "06:15"), "resources": ["ann"]}
    del later["previous"][begun]
    operation(later, other).update(state="started", started_at=at(2, "06:15"), remaining_minutes=105)
    again = planned(later)
    assert again["bookings"][other] == {"start": at(2, "06:15"), "end": at(2, "08:15"), "resources": ["ann"]}
    assert again["bookings"][begun]["start"] >= at(2, "06:30")


def test_each_late_order_comes_with_the_reasons_that_bind_it():
    problem = shop(*(order(f"W-{n}", timing(f"{n}", 240), due=at(2, "10:00")) for n in range(4)))
    made = planned(problem)
    late = [one for one in made["orders"].values() if one["tardiness_minutes"]]
    assert len(late) == 3
    assert all(1 <= len(one["late_because"]) <= 3 for one in late)
    assert all(any(name in reason for name in ("ann", "bob", "timing")) for one in late
               for reason in one["late_because"])
