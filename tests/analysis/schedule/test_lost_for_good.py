"""Probes that are lost for good: the set names them and not the hours people work, and one change serves all."""

from dataclasses import replace

import pytest

from analysis.schedule.check import check
from analysis.schedule.clashing import Asked, smallest
from analysis.schedule.fixed import fix
from analysis.schedule.longer import pieces
from analysis.schedule.model import MINUTE, Booking
from analysis.schedule.place import booked
from analysis.schedule.plan import plan
from analysis.schedule.problem import read
from analysis.schedule.reasons import moved
from analysis.schedule.relax import changed
from analysis.schedule.remedies import A_RENEWAL, Search
from tests.analysis.schedule.changed import let_go, remedied
from tests.analysis.schedule.small import at, resource

EVER = [at(1, "00:00"), at(31, "00:00")]
LOST = at(3, "10:00")
BAY, PROBE = {"kind": "bay", "hold": "order"}, {"kind": "probe", "hold": "order"}


def shop(orders, *, lost=("PR-07", "PR-09")):
    """Two fitters on early shifts of four weeks, an expired probe, one there until `LOST` and one for three hours.

    Each order takes longer than a shift before the probe is asked for again: whoever worked the night would be done
    before the probes were lost.
    """
    def operation(name, code, minutes, *needs, after):
        return {"id": f"{name}/{code}", "minutes": minutes, "after": [f"{name}/{after}"] if after else [],
                "needs": [BAY, {"kind": "person", "skill": "timing"}, *needs]}

    weeks = [[at(day, "06:00"), at(day, "14:00")] for day in range(2, 28) if day % 7 not in (0, 1)]
    return {
        "now": at(2, "06:00"),
        "calendars": {"early": weeks, "PR-07": [[at(1, "00:00"), LOST]], "PR-09": [[at(1, "00:00"), at(2, "09:00")]]},
        "resources": [
            *({"id": f"bay-{one}", "kind": "bay"} for one in (1, 2)),
            *({"id": name, "kind": "person", "calendar": "early", "skills": {"timing": EVER}}
              for name in ("ann", "bob")),
            *({"id": name, "kind": "probe", **({"calendar": name} if name in lost else {})}
              for name in ("PR-07", "PR-09")),
            {"id": "PR-11", "kind": "probe", "usable_until": at(1, "06:00")}],
        "orders": [{"id": f"W-{one}", "release": at(2, "06:00"), "due": at(4, "14:00"), "operations": [
            operation(f"W-{one}", "prepare", 420, PROBE, after=""), operation(f"W-{one}", "set", 240, after="prepare"),
            operation(f"W-{one}", "left", 30, PROBE, after="set")]} for one in range(orders)],
        "weights": {"tardiness": 1},
    }


def test_the_set_is_the_probes_and_leaves_out_the_hours_people_work():
    problem = shop(1)
    made = plan(problem, seconds=0)
    assert check(problem, made) == []
    (entry,), (conflict,) = made["unscheduled"], made["conflicts"]
    assert [one["ids"] for one in conflict["named"]] == [["PR-07"], ["PR-09"], ["PR-11"]]
    assert entry["reason"] == (
        "Operation W-0/left needs probe for 30 minutes from 2026-03-03T10:00:00Z on: PR-07 may be used until "
        "2026-03-03T10:00:00Z; PR-09 may be used until 2026-03-02T09:00:00Z; PR-11 was usable until "
        "2026-03-01T06:00:00Z.")
    known = read(problem)
    asked = Asked(known, range(3))
    clash = smallest(asked, fix(changed(known, ())))
    for term in clash.terms:
        assert asked.fits(term.changes), f"{term.facts} is not needed"
    working = [one["id"] for one in problem["resources"] if one["kind"] == "person"]
    at_night = let_go(problem, {"kind": "calendar", "ids": working})
    assert plan(at_night, seconds=0)["unscheduled"] == [], "the hours are facts of another set, and not of this"


def test_one_change_gives_all_orders_a_place_and_is_said_of_each_alike():
    problem = shop(6)
    made = plan(problem, seconds=0)
    assert len(made["unscheduled"]) == 6
    assert len({repr(one["remedies"]) for one in made["unscheduled"]}) == 1
    assert len({one["reason"].replace(one["order"], "") for one in made["unscheduled"]}) == 1
    assert made["unscheduled"][0]["remedies"]
    for remedy in made["unscheduled"][0]["remedies"]:
        better = remedied(problem, remedy["change"])
        again = plan(better, seconds=0)
        assert check(better, again) == []
        assert again["unscheduled"] == [], remedy
    renewed, back = made["unscheduled"][0]["remedies"]
    assert renewed["sentence"].startswith("PR-11 usable until "), "a calibration that is over is renewed in two days"
    assert renewed["change"]["kind"] == "usable"
    assert back["sentence"].startswith("PR-07 back from 2026-03-03T10:00:00Z to ")
    assert back["change"]["kind"] == "calendar"
    assert renewed["hours"] == A_RENEWAL < back["hours"]


def test_one_more_is_not_like_a_probe_that_was_lost():
    problem = shop(1)
    known = read(problem)
    fixed, asked = fix(changed(known, ())), Asked(known, range(3))
    search = Search(asked, fixed, smallest(asked, fixed))
    search._more()
    ((_, remedy, change),) = search.offers
    assert remedy.sentence == "One more probe would do."
    assert remedy.change["resource"] == "PR-11"
    assert asked.fits([change])
    assert not asked.fits([replace(change, subject=known.resources[-2].index)]), "like PR-09 it would be lost as well"


def test_more_hours_are_said_as_people_say_them_and_in_one_piece():
    problem = shop(1, lost=())
    for one in problem["orders"][0]["operations"]:
        one["needs"][1] = {"any_of": ["ann"]}
    problem["calendars"]["early"] = [[at(2, "06:00"), at(2, "08:40")]]
    problem["orders"][0]["operations"] = problem["orders"][0]["operations"][:1]
    (entry,) = plan(problem, seconds=0)["unscheduled"]
    assert entry["remedies"][0]["sentence"] == (
        "ann at work from 2026-03-02T06:00:00Z to 2026-03-02T13:00:00Z, 4 h 20 min more, would do.")


def test_pieces_that_one_shift_can_cover_are_one():
    hour = 60 * MINUTE
    five = ((0, hour), (hour, 2 * hour), (3 * hour, 4 * hour), (5 * hour, 5 * hour + 30 * MINUTE), (6 * hour, 7 * hour))
    assert pieces(five) == ((0, 7 * hour),)
    assert pieces((*five, (30 * hour, 31 * hour))) == ((0, 7 * hour), (30 * hour, 31 * hour))
    assert pieces(((0, hour), (12 * hour, 13 * hour))) == ((0, hour), (12 * hour, 13 * hour)), "no shift is that long"


def test_an_operation_follows_a_later_one_for_which_its_order_keeps_the_same_probe():
    problem = shop(1, lost=("PR-07",))
    problem["previous"] = {
        "W-0/prepare": {"start": at(2, "06:00"), "resources": ["bay-1", "ann", "PR-07"]},
        "W-0/set": {"start": at(3, "06:00"), "resources": ["bay-1", "ann"]},
        "W-0/left": {"start": at(3, "10:00"), "resources": ["bay-1", "ann", "PR-07"]}}
    known = read(problem)
    prepare, left = (known.operations[one] for one in (0, 2))
    index = {one.id: one.index for one in known.resources}

    def moves(probe):
        """Every operation at its time, with this probe."""
        bookings = {number: Booking(start, start + known.operations[number].length, (
            index["bay-1"], index["ann"], *([index[probe]] if known.operations[number].slots == 3 else [])))
            for number, (start, _) in known.previous.items()}
        return [moved(booked(known, bookings), bookings, one.index, False, True) for one in (prepare, left)]

    first, last = moves("PR-09")
    assert (first.cause, last.cause) == ("follows", "absent")
    assert first.sentence == ("W-0/prepare follows W-0/left, for which order W-0 keeps the same probe: PR-07 is not "
                              "to be had any more.")
    resource(problem, "PR-07").pop("calendar")
    known = read(problem)
    assert [one.cause for one in moves("PR-09")] == ["better", "better"], "with the probe there both could have stayed"


def test_of_many_who_cannot_start_the_first_to_be_free_is_said_in_a_sentence():
    problem = shop(1, lost=())
    problem["resources"] += [{"id": f"p-{one}", "kind": "person", "calendar": "early", "skills": {"timing": EVER}}
                             for one in range(2)]
    problem["orders"] = [{"id": f"T-{one}", "release": at(2, "06:00"), "due": at(2, "08:00"), "operations": [
        {"id": f"T-{one}/do", "minutes": 120, "after": [], "needs": [{"kind": "person", "skill": "timing"}]}]}
        for one in range(5)]
    late = [one for entry in plan(problem, seconds=0)["orders"].values() for one in entry.get("late_because", ())]
    assert any(one.endswith(
        "none of the 4 people with skill timing can serve: ann, the first to be free, is taken by T-0/do of order T-0 "
        "from 2026-03-02T06:00:00Z to 2026-03-02T08:00:00Z.") for one in late), late


@pytest.mark.parametrize("pauses", [False, True])
@pytest.mark.parametrize("orders", [1, 6])
def test_who_begins_with_a_probe_that_is_lost_before_its_last_use_takes_the_other(orders, pauses):
    problem = shop(orders, lost=("PR-07",))
    for order in problem["orders"]:
        order["operations"][2]["may_pause"] = pauses
    made = plan(problem, seconds=0)
    assert check(problem, made) == []
    assert made["unscheduled"] == []
    assert {name for place in made["bookings"].values() for name in place["resources"] if name.startswith("PR")} == {
        "PR-09"}
