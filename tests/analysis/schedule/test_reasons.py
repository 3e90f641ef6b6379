"""Why an operation does not stay: what waits for it, and what keeps its bay."""

from analysis.schedule.model import Booking
from analysis.schedule.place import booked
from analysis.schedule.problem import read
from analysis.schedule.reasons import moved
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
