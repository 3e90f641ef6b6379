"""Why an operation does not stay: what waits for it, and what keeps its bay."""

from analysis.schedule.model import MINUTE, Booking
from analysis.schedule.place import booked
from analysis.schedule.problem import read
from analysis.schedule.reasons import late, moved
from tests.analysis.schedule.small import at
from tests.analysis.schedule.test_lost_for_good import shop


def moves(problem, places):
    """What is said of each operation that stands elsewhere than in the plan in force; `places` by id: start, ids."""
    known = read(problem)
    number = {one.id: one.index for one in known.operations}
    index = {one.id: one.index for one in known.resources}
    start = {one.id: known.previous[one.index][0] for one in known.operations if one.index in known.previous}
    step = start["W-0/set"] - start["W-0/prepare"]              # a day
    bookings = {number[name]: Booking(start[name] + days * step, start[name] + days * step
                                      + known.operations[number[name]].length, tuple(index[one] for one in ids))
                for name, (days, ids) in places.items()}
    line = booked(known, bookings)
    return {known.operations[one].id: moved(line, bookings, one, bookings[one].start != known.previous[one][0], True)
            for one in bookings
            if (bookings[one].start, bookings[one].resources) != (known.previous[one][0], known.previous[one][1])}


def two_orders():
    problem = shop(2, lost=())
    problem["previous"] = {
        "W-0/prepare": {"start": at(3, "06:00"), "resources": ["bay-1", "ann", "PR-07"]},
        "W-0/set": {"start": at(4, "06:00"), "resources": ["bay-1", "ann"]},
        "W-0/left": {"start": at(4, "10:00"), "resources": ["bay-1", "ann", "PR-07"]},
        "W-1/prepare": {"start": at(5, "06:00"), "resources": ["bay-1", "bob", "PR-09"]},
        "W-1/set": {"start": at(6, "06:00"), "resources": ["bay-1", "bob"]},
        "W-1/left": {"start": at(6, "10:00"), "resources": ["bay-1", "bob", "PR-09"]}}
    return problem


def test_an_operation_goes_before_what_waits_for_it_and_starts_sooner_now():
    one, two = ["bay-1", "ann", "PR-07"], ["bay-1", "bob"]
    problem = two_orders()
    stays = {"W-1/prepare": (0, ["bay-1", "bob", "PR-09"])}
    told = moves(problem, {"W-0/prepare": (-1, one), "W-0/set": (-1, two), "W-0/left": (0, one), **stays})
    assert told["W-0/prepare"].cause == "awaited"
    assert told["W-0/prepare"].sentence == (
        f"W-0/prepare was to start {read(problem).instant(read(problem).previous[0][0])}; W-0/set, which waits for it, "
        f"starts {read(problem).instant(read(problem).previous[0][0])} now.")
    assert told["W-0/set"].cause == "better"


def test_a_bay_that_an_order_needs_for_longer_now_and_another_has_by_then():
    one, two = ["bay-2", "ann", "PR-07"], ["bay-2", "ann"]
    problem = two_orders()
    told = moves(problem, {"W-0/prepare": (0, one), "W-0/set": (0, two), "W-0/left": (1, one),
                           "W-1/prepare": (0, ["bay-1", "bob", "PR-09"])})
    assert told["W-0/prepare"].cause == "taken"
    assert "its order needs bay-1 from" in told["W-0/prepare"].sentence
    assert "held for order W-1" in told["W-0/prepare"].sentence
    # where the other is not there by then, nothing by itself kept it
    told = moves(problem, {"W-0/prepare": (0, one), "W-0/set": (0, two), "W-0/left": (0, one),
                           "W-1/prepare": (0, ["bay-1", "bob", "PR-09"])})
    assert told["W-0/prepare"].cause == "better"


def late_reasons(places, bays=1, set_minutes=240, more=()):
    """Why W-0 is late where its operations stand from a day and hour on, with a bay; W-1 is beside it."""
    problem = shop(2, lost=())
    problem["resources"] = [one for one in problem["resources"] if one["id"] not in ("bay-1", "bay-2")[bays:]]
    problem["orders"][0]["operations"][1]["minutes"] = set_minutes
    problem["orders"][0]["operations"][1]["needs"] += more
    known = read(problem)
    number = {one.id: one.index for one in known.operations}
    index = {one.id: one.index for one in known.resources}
    hour = 60 * MINUTE
    bookings = {}
    for name, (hours, ids) in places.items():
        start = known.now + hours * hour
        bookings[number[name]] = Booking(start, start + known.operations[number[name]].length,
                                         tuple(index[one] for one in ids))
    return late(booked(known, bookings), bookings, known.orders[0])


def test_an_order_that_waits_for_its_bay_says_who_has_it_first():
    # the bay is free for its first operation on the first morning, but not until its last one has ended
    other = {"W-1/prepare": (24, ["bay-1", "bob", "PR-09"]), "W-1/set": (48, ["bay-1", "bob"]),
             "W-1/left": (52, ["bay-1", "bob", "PR-09"])}
    mine = {"W-0/prepare": (72, ["bay-1", "ann", "PR-07"]), "W-0/set": (96, ["bay-1", "ann"]),
            "W-0/left": (100, ["bay-1", "ann", "PR-07"])}
    (told,) = late_reasons(mine | other)[-1:]
    assert told == ("W-0/prepare was ready at 2026-03-02T06:00:00Z and starts 2026-03-05T06:00:00Z: its order needs "
                    "bay-1 from its start to 2026-03-06T10:30:00Z, and until 2026-03-04T10:30:00Z order W-1 has that.")
    # with a second bay, or with nobody else, that is no reason
    assert late_reasons(mine | other, bays=2)[-1].endswith("kept no longer than necessary.")
    assert late_reasons(mine)[-1].endswith("kept no longer than necessary.")


def test_an_operation_that_could_have_gone_before_says_so():
    # in a bay of its order already, with an hour of the shift left
    told = late_reasons({"W-0/prepare": (0, ["bay-1", "ann", "PR-07"]), "W-0/set": (48, ["bay-1", "ann"]),
                         "W-0/left": (49, ["bay-1", "ann", "PR-07"])}, set_minutes=60)
    assert told == ["W-0/set was ready at 2026-03-02T13:00:00Z and starts 2026-03-04T06:00:00Z: nothing by itself kept "
                    "it from starting then, the plan as a whole is better so."]


def test_two_needs_that_only_one_person_meets_are_not_called_free():
    second = {"kind": "person", "skill": "timing"}
    told = late_reasons({"W-0/prepare": (0, ["bay-1", "ann", "PR-07"]), "W-0/set": (48, ["bay-1", "ann", "bob"]),
                         "W-0/left": (49, ["bay-1", "ann", "PR-07"]), "W-1/prepare": (7, ["bay-2", "bob", "PR-09"])},
                        bays=2, set_minutes=60, more=[second])
    assert told == ["W-0/set was ready at 2026-03-02T13:00:00Z and starts 2026-03-04T06:00:00Z: what it needs was "
                    "there then, but not together for as long as it takes."]
