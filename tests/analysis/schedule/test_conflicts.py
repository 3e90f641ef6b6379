"""Orders without a place: the set of facts is the smallest, and each remedy gives the order a place."""

import pytest

from analysis.schedule.check import check
from analysis.schedule.plan import plan
from tests.analysis.schedule.changed import let_go, remedied
from tests.analysis.schedule.small import at, operation, resource
from tests.analysis.schedule.test_situations import EVER, order, shop, timing

PROBE = {"kind": "instrument"}
LONG = at(30, "00:00")


def planned(problem):
    """A plan that passes the checker, by the rules alone."""
    made = plan(problem, seconds=0)
    assert check(problem, made) == []
    return made


def explained(problem, name="W-1"):
    """What is said of an order left out, once it holds that the set is smallest and each remedy works."""
    made = planned(problem)
    entry = next(one for one in made["unscheduled"] if one["order"] == name)
    conflict = next(one for one in made["conflicts"] if one["sentence"] == entry["reason"])
    assert conflict["remedies"] == entry["remedies"]
    others = {one["order"] for one in made["unscheduled"]} - {name}
    for fact in conflict["named"]:
        assert set(fact["ids"]) <= set(conflict["ids"])
        again = planned(let_go(problem, fact))
        assert {one["order"] for one in again["unscheduled"]} <= others, f"{fact} is not needed"
    for remedy in entry["remedies"]:
        again = planned(remedied(problem, remedy["change"]))
        assert {one["order"] for one in again["unscheduled"]} <= others, f"{remedy} does not do"
    assert [one["hours"] for one in entry["remedies"]] == sorted(one["hours"] for one in entry["remedies"])
    return conflict


def kinds(conflict):
    return {(one["kind"], name) for one in conflict["named"] for name in one["ids"]}


def measured(name="a", minutes=60, **more):
    return {"id": name, "minutes": minutes, "needs": [dict(PROBE)], **more}


def test_instruments_that_fall_due_and_one_booked_elsewhere_are_each_named():
    problem = shop(order("R4 4107", measured(minutes=150, pin={"start": at(2, "14:00")})),
                   order("K7 7003", measured("b", 240, pin={"start": at(2, "13:00"), "resources": ["PR-11"]})))
    problem["resources"].append({"id": "PR-11", "kind": "instrument"})
    for name in ("PR-07", "PR-08"):
        resource(problem, name)["usable_until"] = at(2, "12:00")
    conflict = explained(problem, "R4 4107")
    assert {("usable", "PR-07"), ("usable", "PR-08"), ("taken", "PR-11"), ("pin", "a")} <= kinds(conflict)
    for words in ("2026-03-02T16:30", "PR-07 is usable until 2026-03-02T12:00", "PR-08 is usable until",
                  "PR-11 is pinned to b of K7 7003"):
        assert words in conflict["sentence"]
    assert len(conflict["remedies"]) == 2


def test_an_instrument_that_falls_due_may_be_usable_longer():
    problem = shop(order("W-1", {"id": "a", "minutes": 60, "needs": [
        {"any_of": ["PR-07"]}, {"kind": "person", "skill": "timing"}]}, release=at(3, "06:00")))
    resource(problem, "PR-07")["usable_until"] = at(3, "06:30")
    conflict = explained(problem)
    assert ("usable", "PR-07") in kinds(conflict)
    cheapest = conflict["remedies"][0]
    assert cheapest["sentence"] == "PR-07 usable until 2026-03-03T07:00:00Z instead of 2026-03-03T06:30:00Z would do."
    assert cheapest["hours"] == 0.5


def test_a_skill_that_lapses():
    problem = shop(order("W-1", timing("a", 120)))
    resource(problem, "bob")["skills"].pop("timing")
    resource(problem, "ann")["skills"]["timing"] = [at(1, "00:00"), at(2, "07:00")]
    conflict = explained(problem)
    assert ("skill", "ann") in kinds(conflict)
    assert ("skill", "timing") in kinds(conflict)
    assert conflict["remedies"][0]["change"]["until"] == at(2, "08:00")
    assert conflict["remedies"][0]["hours"] == 1


def test_a_person_away_at_a_pin_can_stay_longer_or_the_pin_moves():
    problem = shop(order("W-1", {"id": "a", "minutes": 120, "needs": [{"any_of": ["cat"]}],
                                 "pin": {"start": at(2, "13:00")}}))
    conflict = explained(problem)
    assert kinds(conflict) == {("calendar", "cat"), ("pin", "a"), ("pause", "a")}
    assert "cat is at work until 2026-03-02T14:00" in conflict["sentence"]
    assert {one["change"]["kind"]: one["hours"] for one in conflict["remedies"]} == {"calendar": 1, "pin": 3.5}


def test_pin_on_pin_names_both_and_either_may_go():
    def pinned(name, start):
        return {"id": name, "minutes": 120, "needs": [{"any_of": ["bay-1"]}], "pin": {"start": start}}

    problem = shop(order("W-1", pinned("a", at(2, "07:00"))), order("W-2", pinned("b", at(2, "08:00")), weight=9))
    conflict = explained(problem)
    assert {("pin", "a"), ("taken", "b"), ("taken", "bay-1")} <= kinds(conflict)
    assert len(conflict["remedies"]) == 2


def test_a_pin_that_leaves_no_room_for_what_comes_before_it():
    problem = shop(order("W-1", timing("a", 240), timing("b", 60, pin={"start": at(2, "08:00")})))
    conflict = explained(problem)
    assert ("pin", "b") in kinds(conflict)
    assert {"a", "b"} <= set(conflict["ids"])
    assert conflict["remedies"][0]["change"] == {"kind": "pin", "operation": "b", "start": at(2, "10:00")}


def test_an_operation_longer_than_any_window():
    problem = shop(order("W-1", timing("a", 540)))
    conflict = explained(problem)
    assert kinds(conflict) == {("calendar", "ann"), ("calendar", "bob"), ("pause", "a")}
    assert "480 minutes" in conflict["sentence"]
    assert [(one["change"]["resource"], one["hours"]) for one in conflict["remedies"]] == [("ann", 1), ("bob", 1)]


def test_work_in_hand_that_blocks_a_pin():
    held = {"id": "b", "minutes": 300, "needs": [{"any_of": ["bay-1"]}], "state": "started",
            "started_at": at(2, "06:00"), "remaining_minutes": 240}
    problem = shop(order("W-1", {"id": "a", "minutes": 60, "needs": [{"any_of": ["bay-1"]}],
                                 "pin": {"start": at(2, "09:00")}}), order("W-2", held), now=at(2, "07:00"),
                   previous={"b": {"start": at(2, "06:00"), "resources": ["bay-1"]}})
    conflict = explained(problem)
    assert {("hand", "b"), ("hand", "bay-1"), ("pin", "a")} <= kinds(conflict)
    assert "bay-1 is in hand for b of W-2 until 2026-03-02T11:00" in conflict["sentence"]
    sooner = [one for one in conflict["remedies"] if one["change"]["kind"] == "hand"]
    assert [one["hours"] for one in sooner] == [2]


def test_a_skill_that_nobody_has_may_be_got():
    problem = shop(order("W-1", timing("a")), order("W-2", timing("b")))
    operation(problem, "b")["needs"] = [{"kind": "person", "skill": "welding"}]
    made = plan(problem, seconds=0)
    entry = next(one for one in made["unscheduled"] if one["order"] == "W-2")
    assert {"b", "welding"} <= set(entry["ids"])
    assert len(entry["remedies"]) == 2
    for remedy in entry["remedies"]:
        assert planned(remedied(problem, remedy["change"]))["unscheduled"] == []


def test_more_of_a_kind_than_there_are():
    problem = shop(order("W-1", {"id": "a", "minutes": 60, "needs": [{"kind": "bay", "count": 3}]}))
    made = plan(problem, seconds=0)
    remedy = made["unscheduled"][0]["remedies"][0]
    assert remedy["change"]["kind"] == "more"
    assert planned(remedied(problem, remedy["change"]))["unscheduled"] == []


def test_of_many_people_the_last_to_serve_is_named():
    problem = shop(order("W-1", timing("a", 60, needs=[{"kind": "person", "skill": "lifting"}])))
    for hour in range(5):
        problem["resources"].append({"id": f"p{hour}", "kind": "person", "calendar": "early",
                                     "skills": {"lifting": [at(1, "00:00"), at(1, f"1{hour}:00")]}})
    conflict = explained(problem)
    assert "None of the 5 people with skill lifting can serve. The last who could is p4: " in conflict["sentence"]
    assert "p4 was valid until 2026-03-01T14:00" in conflict["sentence"]


def test_what_an_order_keeps_over_a_pin_of_another():
    bay = {"any_of": ["bay-1"], "hold": "order"}
    problem = shop(
        order("W-1", {"id": "a", "minutes": 60, "needs": [bay]}, {"id": "wait", "minutes": 300, "needs": []},
              {"id": "c", "minutes": 60, "needs": [bay]}, due=at(2, "12:00")),
        order("W-2", {"id": "b", "minutes": 60, "needs": [{"any_of": ["bay-1"]}], "pin": {"start": at(2, "09:00")}}))
    resource(problem, "bay-1")["usable_until"] = at(2, "15:00")
    conflict = explained(problem)
    assert {"hold", "taken", "usable"} <= {one["kind"] for one in conflict["named"]}


@pytest.mark.parametrize("lag", [60, 600])
def test_a_lag_that_leads_past_the_last_working_time(lag):
    late = {"id": "b", "minutes": 60, "needs": [{"any_of": ["ann"]}], "after": [{"id": "a", "lag_minutes": lag}]}
    problem = shop(order("W-1", timing("a", 60), late), calendars={
        "early": [[at(2, "06:00"), at(2, "08:30")]], "late": []})
    conflict = explained(problem)
    assert ("lag", "b") in kinds(conflict)


def test_one_job_without_a_place_leaves_the_others_planned_and_said_the_same_each_time():
    problem = shop(order("W-1", timing("a", 540)), order("W-2", timing("b")))
    resource(problem, "ann")["skills"]["timing"] = EVER
    assert planned(problem)["conflicts"] == planned(problem)["conflicts"]
    assert set(planned(problem)["bookings"]) == {"b"}


def test_an_order_that_waits_for_one_that_is_left_out_is_left_out_with_the_same_reason():
    problem = shop(order("W-1", timing("a", pin={"start": at(2, "07:00"), "resources": ["bob"]})),
                   order("W-2", timing("b", after=["a"])), order("W-3", timing("c", after=["b"])),
                   order("W-4", timing("d")))
    made = planned(problem)
    assert {one["order"] for one in made["unscheduled"]} == {"W-1", "W-2", "W-3"}
    assert set(made["bookings"]) == {"d"}
    for entry in made["unscheduled"]:
        assert {"a", "bob"} <= set(entry["ids"])
        for remedy in entry["remedies"]:
            assert planned(remedied(problem, remedy["change"]))["unscheduled"] == []


def test_where_two_things_are_in_the_way_it_is_said_that_no_single_change_will_do():
    problem = shop(order("W-1", timing("a", 540), {"id": "z", "minutes": 600, "needs": [{"any_of": ["cat"]}]}))
    entry, = planned(problem)["unscheduled"]
    assert entry["remedies"] == []
    assert entry["reason"].endswith("No single change was found that would do.")


def test_the_checker_looks_at_the_ids_of_remedies():
    problem = shop(order("W-1", timing("a", 540)))
    made = planned(problem)
    made["unscheduled"][0]["remedies"][0]["ids"] = ["nobody"]
    assert {one.rule for one in check(problem, made)} == {"unscheduled"}
    made["conflicts"][0]["remedies"][0]["change"]["resource"] = "nothing"
    assert {one.rule for one in check(problem, made)} == {"unscheduled", "conflicts"}


def test_a_skill_that_is_got_does_not_stand_for_another_that_nobody_has():
    problem = shop(order("W-1", *({"id": name, "minutes": 60, "needs": [{"kind": "person", "skill": name}]}
                                  for name in ("welding", "lifting"))))
    entry, = plan(problem, seconds=0)["unscheduled"]
    assert entry["remedies"] == []
