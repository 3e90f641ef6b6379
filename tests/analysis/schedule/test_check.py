"""The checker of plans, rule by rule: the small plan holds, and each thing broken in it is found and named."""

import json
from datetime import datetime, timedelta

import pytest

from analysis.__main__ import main
from analysis.schedule.check import check
from tests.analysis.schedule import small
from tests.analysis.schedule.small import at


def rules(problem, booked):
    """The rules broken by these bookings, with the figures that belong to them."""
    return {one.rule for one in check(problem, small.plan(problem, booked))}


def book(name, start=None, end=None, resources=None, minutes=0):
    """A change of the bookings: another place for one operation, or `minutes` later."""
    def change(problem, booked):
        place = booked[name]
        for key, value in (("start", start), ("end", end), ("resources", resources)):
            if value is not None:
                place[key] = value
        for key in ("start", "end"):
            place[key] = (datetime.fromisoformat(place[key]) + timedelta(minutes=minutes)).isoformat()
    return change


def told(name, **facts):
    """A change of the problem: other facts of an operation."""
    return lambda problem, booked: small.operation(problem, name).update(facts)


def fact(name, **facts):
    """A change of the problem: other facts of a resource."""
    return lambda problem, booked: small.resource(problem, name).update(facts)


def drop(name):
    return lambda problem, booked: booked.pop(name)


def both(*changes):
    def change(problem, booked):
        for one in changes:
            one(problem, booked)
    return change


def set_key(key, value):
    return lambda problem, booked: problem.update({key: value})


PERSON, BAY = {"kind": "person"}, {"kind": "bay"}
LIFT_NEEDS = [BAY, PERSON, {"kind": "crane", "amount": 2}]

BROKEN = [
    ("off the grid", book("set", minutes=5), {"grid"}),
    ("before now", both(set_key("now", at(2, "06:15"))), {"now"}),
    ("before the release", lambda problem, booked: problem["orders"][1].update(release=at(2, "13:15")), {"release"}),
    ("not booked", drop("set"), {"completeness"}),
    ("too short", book("set", end=at(2, "08:15")), {"duration"}),
    ("too long", book("found", end=at(2, "07:45")), {"duration", "precedence"}),
    ("ends before it starts", book("set", end=at(2, "07:30")), {"duration"}),
    ("person not at work", both(drop("lift"), book("set", minutes=7 * 60)), {"calendar", "completeness"}),
    ("half out of the shift", both(drop("lift"), book("set", minutes=6 * 60 - 15)), {"calendar", "completeness"}),
    ("hold point in a closed calendar", both(book("seen", start=at(2, "14:15"), end=at(2, "14:15")), drop("set")),
     {"calendar", "completeness"}),
    ("pausing work without its minutes", book("lift", end=at(3, "06:45")), {"duration"}),
    ("pausing work with too many minutes", book("lift", end=at(3, "07:15")), {"duration"}),
    ("ends in a pause", book("lift", end=at(2, "15:00")), {"calendar"}),
    ("starts in a pause", book("lift", start=at(2, "05:00"), end=at(2, "08:00")), {"calendar", "release", "capacity"}),
    ("starts when the shift ends", book("lift", start=at(2, "14:00"), end=at(3, "08:00")), {"calendar"}),
    ("ends when the shift begins",
     both(told("lift", minutes=60), book("lift", end=at(3, "06:00"))), {"calendar"}),
    ("work that may not pause", told("lift", may_pause=False), {"duration", "calendar"}),
    ("before what it comes after", book("found", minutes=-15), {"precedence", "capacity"}),
    ("inside the lag", told("set", after=[{"id": "seen", "lag_minutes": 30}]), {"precedence"}),
    ("after what is not booked", drop("seen"), {"completeness", "precedence"}),
    ("wrong kind", book("safe", resources=["ann", "bay-1"]), {"needs", "skill", "hold"}),
    ("none of those named", book("lift", resources=["crane", "ann", "bay-2"]), {"needs", "capacity"}),
    ("not among any_of", told("found", needs=[{"kind": "bay", "hold": "order"}, PERSON, {"any_of": ["PR-08"]}]),
     {"needs"}),
    ("too few", book("safe", resources=["bay-1"]), {"needs"}),
    ("too many", book("safe", resources=["bay-1", "ann", "bob"]), {"needs", "calendar"}),
    ("wrongly nested", book("safe", resources=[["bay-1", "ann"], []]), {"needs"}),
    ("one person for two", both(told("safe", needs=[{"kind": "bay", "hold": "order"}, PERSON, PERSON]),
                                book("safe", resources=["bay-1", "ann", "ann"])), {"needs", "capacity"}),
    ("no such skill", book("safe", resources=["bay-1", "cat"]), {"skill"}),
    ("skill that lapses in it", fact("ann", skills={"timing": [at(1, "00:00"), at(2, "08:29")]}), {"skill"}),
    ("skill that begins in it", fact("ann", skills={"timing": [at(2, "06:15"), at(3, "00:00")]}), {"skill"}),
    ("instrument that falls due in it", fact("PR-07", usable_until=at(2, "08:15")), {"usable"}),
    ("instrument not there yet", both(book("found", resources=["bay-1", "ann", "PR-08"]),
                                      book("set", resources=["bay-1", "ann", "PR-08"])), {"usable"}),
    ("two orders, one bay", both(book("lift", start=at(2, "08:00"), end=at(2, "10:00"), resources=["bay-1", "cat",
                                                                                                   "crane"])),
     {"capacity"}),
    ("one person in two places", book("lift", start=at(2, "08:00"), end=at(2, "10:00")), {"capacity"}),
    ("more than the crane can", told("lift", needs=[BAY, PERSON, {"kind": "crane", "amount": 3}]), {"capacity"}),
    ("bay of the order used in between",
     book("lift", start=at(2, "07:30"), end=at(2, "09:30"), resources=["bay-1", "cat", "crane"]), {"capacity"}),
    ("another bay in the same order", book("set", resources=["bay-2", "ann", "PR-07"]), {"hold"}),
    ("hold point inside another booking",
     both(told("lift", minutes=60), book("lift", start=at(2, "07:00"), end=at(2, "08:00"),
                                         resources=["bay-2", "cat", "crane"])), {"hold_point"}),
    ("a pinned start that moved", told("set", pin={"start": at(2, "08:00")}), {"pin"}),
    ("a pinned person who changed", told("set", pin={"resources": ["bay-1", "bob", "PR-07"]}), {"pin"}),
    ("done work that moved", told("safe", state="done", started_at=at(2, "05:30")), {"done"}),
    ("work in hand that moved", both(told("safe", state="started", remaining_minutes=90), set_key(
        "previous", {"safe": {"start": at(2, "05:45"), "resources": ["bay-1", "ann"]}})), {"started"}),
    ("work in hand with another person", both(told("safe", state="started", remaining_minutes=90), set_key(
        "previous", {"safe": {"start": at(2, "06:00"), "resources": ["bay-1", "cat"]}})), {"started"}),
    ("work in hand that ends too soon", both(told("safe", state="started", remaining_minutes=95), set_key(
        "previous", {"safe": {"start": at(2, "06:00"), "resources": ["bay-1", "ann"]}})), {"started"}),
]


@pytest.mark.parametrize(("change", "expected"), [case[1:] for case in BROKEN], ids=[case[0] for case in BROKEN])
def test_one_thing_broken_is_found_and_named(change, expected):
    problem, booked = small.shop(), small.bookings()
    change(problem, booked)
    assert rules(problem, booked) == expected


HOLDING = [
    ("as it stands", both()),
    ("a pinned start off the grid", both(told("set", pin={"start": at(2, "07:50"), "resources": ["PR-07", "bay-1"]}),
                                         book("set", minutes=5))),
    ("fifteen minutes when the grid is not told", lambda problem, booked: problem.pop("grid_minutes")),
    ("skill up to the last minute", fact("ann", skills={"timing": [at(2, "06:00"), at(2, "08:30")]})),
    ("instrument up to the last minute", fact("PR-07", usable_from=at(2, "06:30"), usable_until=at(2, "08:30"))),
    ("shift over midnight", both(
        lambda problem, booked: problem["calendars"].update(late=[[at(2, "14:00"), at(3, "06:00")]]),
        told("lift", may_pause=False, minutes=240),
        book("lift", start=at(2, "22:00"), end=at(3, "02:00"), resources=["bay-2", "bob", "crane"]))),
    ("touching spans are one", both(
        lambda problem, booked: problem["calendars"].update(late=[[at(3, "00:00"), at(3, "04:00")],
                                                                  [at(2, "20:00"), at(3, "00:00")]]),
        told("lift", may_pause=False, minutes=240),
        book("lift", start=at(2, "22:00"), end=at(3, "02:00"), resources=["bay-2", "bob", "crane"]))),
    ("a hold point at either end of a booking", book("lift", start=at(2, "07:30"), end=at(2, "09:30"),
                                                     resources=["bay-2", "cat", "crane"])),
    ("a hold point when the shift ends", both(book("seen", start=at(2, "14:00"), end=at(2, "14:00")),
                                              told("set", after=[]))),
    ("released in the pause", both(
        told("lift", release_in_pause=True, needs=LIFT_NEEDS),
        lambda problem, booked: problem["orders"].append(
            {"id": "W-3", "release": at(2, "06:00"), "due": at(4, "06:00"), "operations": [
                {"id": "oil", "minutes": 60, "needs": [{"any_of": ["bay-2"]}]}]}),
        lambda problem, booked: booked.update(
            oil={"start": at(2, "18:00"), "end": at(2, "19:00"), "resources": ["bay-2"]}))),
    ("done work needs no booking", both(told("safe", state="done", started_at=at(2, "04:00")), drop("safe"))),
    ("work in hand ends with what remains of it", both(
        set_key("now", at(2, "06:10")),
        told("safe", state="started", started_at=at(2, "06:00"), remaining_minutes=20),
        set_key("previous", {"safe": {"start": at(2, "06:00"), "resources": ["bay-1", "ann"]}}))),
    ("work in hand goes on after the pause", both(
        set_key("now", at(2, "05:45")),
        told("lift", state="started", started_at=at(1, "13:00"), remaining_minutes=60),
        set_key("previous", {"lift": {"start": at(1, "13:00"), "resources": ["bay-2", "cat", "crane"]}}),
        book("lift", start=at(1, "13:00"), end=at(2, "07:00"), resources=["bay-2", "cat", "crane"]))),
]


@pytest.mark.parametrize("change", [case[1] for case in HOLDING], ids=[case[0] for case in HOLDING])
def test_what_the_readings_allow_holds(change):
    problem, booked = small.shop(), small.bookings()
    change(problem, booked)
    assert check(problem, small.plan(problem, booked)) == []


def test_what_is_kept_through_the_pause_blocks_and_says_who():
    problem, booked = small.shop(), small.bookings()
    problem["orders"].append({"id": "W-3", "release": at(2, "06:00"), "due": at(4, "06:00"), "operations": [
        {"id": "oil", "minutes": 60, "needs": [{"any_of": ["bay-2"]}]}]})
    booked["oil"] = {"start": at(2, "18:00"), "end": at(2, "19:00"), "resources": ["bay-2"]}
    found = check(problem, small.plan(problem, booked))
    assert [(one.rule, one.order, one.operation, one.resource) for one in found] == [
        ("capacity", "W-3", "oil", "bay-2")]
    assert found[0].message == ("bay-2 is booked for oil at 2026-03-02 18:00 UTC, and lift has it from "
                                "2026-03-02 13:00 UTC to 2026-03-03 07:00 UTC.")


def test_what_an_order_keeps_it_keeps_at_night():
    problem, booked = small.shop(), small.bookings()
    book("set", minutes=24 * 60)(problem, booked)  # bay-1 and PR-07 until Tuesday, nobody at work at three
    problem["resources"].append({"id": "dan", "kind": "person"})
    book("lift", start=at(3, "03:00"), end=at(3, "05:00"), resources=["bay-1", "dan", "crane"])(problem, booked)
    found = check(problem, small.plan(problem, booked))
    assert {(one.rule, one.resource) for one in found} == {("capacity", "bay-1")}
    assert "order W-1 has it from 2026-03-02 06:00 UTC to 2026-03-03 08:30 UTC" in found[0].message


def test_what_done_work_had_is_kept_unless_it_is_withdrawn():
    problem, booked = small.shop(), small.bookings()
    for name in ("safe", "found"):
        small.operation(problem, name).update(state="done", started_at=booked[name]["start"])
    problem["previous"] = {name: {"start": booked[name]["start"], "resources": booked[name]["resources"]}
                           for name in ("safe", "found")}
    del booked["safe"], booked["found"]
    small.resource(problem, "PR-08").pop("usable_from")
    assert rules(problem, booked) == set()
    booked["set"]["resources"] = ["bay-1", "ann", "PR-08"]
    assert rules(problem, booked) == {"hold"}
    small.resource(problem, "PR-07")["usable_until"] = at(2, "07:00")
    assert rules(problem, booked) == set()


def test_a_person_kept_for_an_order_does_one_operation_at_a_time():
    problem, booked = small.shop(), small.bookings()
    person = {"kind": "person", "skill": "timing", "hold": "order"}
    for name in ("safe", "found"):
        small.operation(problem, name)["needs"][1] = person
    small.operation(problem, "found")["after"] = []
    assert rules(problem, booked) == set()
    book("found", minutes=-15)(problem, booked)
    found = check(problem, small.plan(problem, booked))
    assert {(one.rule, one.resource) for one in found} == {("capacity", "ann")}


def test_three_may_share_what_is_enough_for_three():
    problem = {"now": at(2, "06:00"), "resources": [{"id": "rail", "kind": "track", "capacity": 3}],
               "orders": [{"id": f"W-{n}", "release": at(2, "06:00"), "due": at(2, "12:00"), "operations": [
                   {"id": f"on-{n}", "minutes": 60, "needs": [{"kind": "track", "amount": 1}]}]} for n in range(4)]}
    booked = {f"on-{n}": {"start": at(2, "07:00"), "end": at(2, "08:00"), "resources": ["rail"]} for n in range(4)}
    assert rules(problem, booked) == {"capacity"}
    booked["on-3"] = {"start": at(2, "08:00"), "end": at(2, "09:00"), "resources": ["rail"]}
    assert rules(problem, booked) == set()


@pytest.mark.parametrize(("night", "minutes"), [("2026-03-28", 7 * 60), ("2026-10-24", 9 * 60)])
def test_a_night_shift_over_the_clock_change_lasts_as_long_as_it_lasts(night, minutes):
    """22:00 to 06:00 by a clock that is put forward (seven hours) or back (nine)."""
    before, after = ("+01:00", "+02:00") if minutes < 480 else ("+02:00", "+01:00")
    morning = (datetime.fromisoformat(night) + timedelta(days=1)).date().isoformat()
    shift = [f"{night}T22:00:00{before}", f"{morning}T06:00:00{after}"]
    problem = {"now": f"{night}T12:00:00{before}", "calendars": {"night": [shift]},
               "resources": [{"id": "bob", "kind": "person", "calendar": "night"}],
               "orders": [{"id": "W-1", "release": f"{night}T12:00:00{before}", "due": shift[1], "operations": [
                   {"id": "watch", "minutes": minutes, "needs": [{"kind": "person"}]}]}]}
    booked = {"watch": {"start": shift[0], "end": shift[1], "resources": ["bob"]}}
    assert rules(problem, booked) == set()
    problem["orders"][0]["operations"][0]["minutes"] = 8 * 60
    assert rules(problem, booked) == {"duration"}


def test_a_problem_that_cannot_be_read_says_why():
    plan = small.plan(small.shop(), small.bookings())
    for change, words in ((lambda p: p.pop("now"), "now"), (lambda p: p["resources"][2].update(calendar="x"), "x"),
                          (lambda p: p["orders"].append(p["orders"][0]), "same id"),
                          (lambda p: small.operation(p, "set").update(after=["x"]), "after x")):
        problem = small.shop()
        change(problem)
        with pytest.raises(ValueError, match=words):
            check(problem, plan)


def test_the_command_prints_the_violations_and_says_so_in_its_status(tmp_path, capsys):
    problem, booked = small.shop(), small.bookings()
    files = [str(tmp_path / "problem.json"), str(tmp_path / "plan.json")]
    (tmp_path / "problem.json").write_text(json.dumps(problem))
    (tmp_path / "plan.json").write_text(json.dumps(small.plan(problem, booked)))
    assert main(["check-plan", *files]) == 0
    assert json.loads(capsys.readouterr().out) == []
    book("set", minutes=5)(problem, booked)
    (tmp_path / "plan.json").write_text(json.dumps(small.plan(problem, booked)))
    assert main(["check-plan", *files]) == 1
    (printed,) = json.loads(capsys.readouterr().out)
    assert (printed["rule"], printed["order"], printed["operation"], printed["resource"]) == (
        "grid", "W-1", "set", None)
    assert main(["check-plan", files[0], str(tmp_path / "none.json")]) == 3
