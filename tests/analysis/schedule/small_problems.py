"""Random small problems for properties, a plan for each placed one by one, and changes of a plan."""

from __future__ import annotations

import copy
from itertools import combinations, islice, product

from hypothesis import strategies as st

from analysis.schedule.check import check
from tests.analysis.schedule.twin import minute, whole_plan, written

DAY_MINUTES = 24 * 60
FIRST = minute("2026-03-02T00:00:00Z")
STEP = 30
SHIFTS = ((6 * 60, 14 * 60), (14 * 60, 22 * 60), (22 * 60, 30 * 60), (8 * 60, 12 * 60))


def moment(minutes):
    return written(FIRST + minutes)


@st.composite
def resources(draw):
    made, calendars = [{"id": "bay-1", "kind": "bay"}, {"id": "bay-2", "kind": "bay"}], {}
    for name in ("ann", "bob", "cat")[:draw(st.sampled_from([3, 2, 1]))]:
        shifts = draw(st.lists(st.sampled_from(SHIFTS), min_size=1, max_size=2))
        calendars[f"of {name}"] = [[moment(day * DAY_MINUTES + a), moment(day * DAY_MINUTES + b)]
                                   for day in range(-1, 4) for a, b in shifts]
        until = moment(draw(st.sampled_from([5 * DAY_MINUTES, 36 * 60, DAY_MINUTES])))
        made.append({"id": name, "kind": "person", "calendar": f"of {name}",
                     "skills": {skill: [moment(0), until] for skill in draw(st.sampled_from(["xy", "x", "y", ""]))}})
    for name in ("PR-07", "PR-08")[:draw(st.sampled_from([2, 1]))]:
        made.append({"id": name, "kind": "instrument",
                     "usable_until": moment(draw(st.sampled_from([4 * DAY_MINUTES, DAY_MINUTES, 14 * 60])))})
    made.append({"id": "crane", "kind": "crane", "capacity": draw(st.sampled_from([3, 1]))})
    return made, calendars


@st.composite
def needs(draw):
    made = []
    if draw(st.sampled_from([True, True, False])):
        made.append({"kind": "bay", "hold": draw(st.sampled_from(["order", "order", "operation"]))})
    if draw(st.sampled_from([True, True, True, False])):
        made.append({"kind": "person"})
        if draw(st.booleans()):
            made[-1]["skill"] = draw(st.sampled_from("xy"))
        if draw(st.sampled_from([False, False, False, True])):
            made[-1]["count"] = 2
        if draw(st.sampled_from([False, False, False, True])):
            made[-1]["hold"] = "order"
    if draw(st.sampled_from([False, True])):
        made.append({"any_of": ["PR-07", "PR-08"], "hold": draw(st.sampled_from(["order", "operation"]))})
    if draw(st.sampled_from([False, False, True])):
        made.append({"kind": "crane", "amount": draw(st.sampled_from([1, 1, 2]))})
    return made


@st.composite
def problems(draw):
    """A problem of one to three orders with one to four operations over three days."""
    made, calendars = draw(resources())
    orders = []
    for number in range(draw(st.sampled_from([2, 3, 1]))):
        operations = []
        for place in range(draw(st.sampled_from([3, 2, 4, 1]))):
            name = f"{number}/{place}"
            one = {"id": name, "minutes": draw(st.sampled_from([60, 30, 0, 90, 240])), "needs": draw(needs())}
            earlier = [other["id"] for other in operations]
            one["after"] = [{"id": other, "lag_minutes": draw(st.sampled_from([0, 0, 30]))} for other in earlier
                            if draw(st.booleans())]
            if draw(st.booleans()):
                one.update(may_pause=True, release_in_pause=draw(st.booleans()))
            if draw(st.sampled_from([False] * 14 + [True])):
                one["pin"] = {"start": moment(STEP * draw(st.integers(12, 60)) + 10)}
            operations.append(one)
        due = draw(st.integers(6, 60)) * 60
        orders.append({"id": f"W-{number}", "release": moment(60 * draw(st.integers(0, 12))), "due": moment(due),
                       "weight": draw(st.integers(1, 4)), "operations": operations})
        if draw(st.booleans()):
            orders[-1]["promise"] = moment(due + draw(st.sampled_from([-60, 0, 60])))
    weights = {"tardiness": 1, "moved_promise": 2, "moved_start": 3, "changed_resource": 5, "makespan": 0.25}
    return {"now": moment(6 * 60), "grid_minutes": STEP, "calendars": calendars,
            "resources": made, "orders": orders,
            "weights": {name: weights[name] for name in draw(st.sets(st.sampled_from(sorted(weights))))}}


def choices(problem, operation):
    """Every way to give an operation its different resources, the same order each time."""
    for_each = []
    for need in operation["needs"]:
        fit = [one["id"] for one in problem["resources"]
               if need.get("kind") in (None, one["kind"]) and one["id"] in need.get("any_of", [one["id"]])
               and ("skill" not in need or need["skill"] in one.get("skills", {}))]
        for_each.append(list(combinations(fit, need.get("count", 1))))
    for chosen in product(*for_each):
        ids = [one for part in chosen for one in part]
        if len(set(ids)) == len(ids):
            yield ids


def all_work(problem, ids, at):
    """Whether all of them work in the ten minutes from then on; all calendars here change on the hour."""
    offset = at - FIRST
    for one in problem["resources"]:
        if one["id"] in ids and "calendar" in one and not any(
                a <= offset % DAY_MINUTES < b or a <= offset % DAY_MINUTES + DAY_MINUTES < b
                for a, b in hours(problem, one["calendar"])):
            return False
    return True


def hours(problem, calendar):
    """The shifts of a calendar's second day, in minutes from its midnight; every day is like it."""
    return [shift for shift in SHIFTS if [moment(DAY_MINUTES + one) for one in shift] in problem["calendars"][calendar]]


def ends(problem, operation, start, ids):
    """The end of an operation that starts then, or None beyond three days: minutes in which all its resources work."""
    left, at = operation["minutes"], start
    if not operation.get("may_pause"):
        return start + left
    while left and at < FIRST + 3 * DAY_MINUTES:
        if all_work(problem, ids, at):
            left -= min(left, 10)
        at += 10
    return None if left else at


def first_fit(problem):
    """Bookings found one by one at the earliest start that the checker takes, and the orders that found no place."""
    booked, left_out = {}, []
    for order in problem["orders"]:
        for operation in order["operations"]:
            if not _place(problem, booked, operation, order["release"]):
                left_out.append(order["id"])
                for other in order["operations"]:
                    booked.pop(other["id"], None)
                break
    return booked, left_out


def _place(problem, booked, operation, release):
    pin = operation.get("pin", {}).get("start")
    after = [minute(booked[one["id"]]["end"]) for one in operation["after"]]
    earliest = max([minute(problem["now"]), minute(release), *after])
    starts = [minute(pin)] if pin else range(earliest + -earliest % STEP, FIRST + 2 * DAY_MINUTES, STEP)
    ways = list(islice(choices(problem, operation), 6))
    for start in starts:
        for ids in ways:
            if not all_work(problem, ids, start) and not all_work(problem, ids, start - 10):
                continue
            end = ends(problem, operation, start, ids)
            if end is None:
                continue
            booked[operation["id"]] = {"start": written(start), "end": written(end), "resources": ids}
            partial = {**problem, "orders": [
                {**order, "operations": [one for one in order["operations"] if one["id"] in booked]}
                for order in problem["orders"]]}
            if not check(partial, whole_plan(partial, booked)):
                return True
            del booked[operation["id"]]
    return False


def changed(data, problem, plan):
    """The plan with one to three things changed; its figures follow now and then."""
    plan = copy.deepcopy(plan)
    for _ in range(data.draw(st.integers(1, 3))):
        if plan["bookings"]:
            _change_booking(data, problem, plan["bookings"])
    if data.draw(st.booleans()):
        left_out = [entry["order"] for entry in plan["unscheduled"]]
        plan.update({**whole_plan(problem, plan["bookings"], left_out), "unscheduled": plan["unscheduled"]})
    if data.draw(st.booleans()):
        key = data.draw(st.sampled_from(["objective", "bound", "moved", "optimal", "orders", "nothing"]))
        if key in ("objective", "bound"):
            plan[key] += data.draw(st.sampled_from([-1, 1, 10**6]))
        elif key == "moved" and plan["moved"]:
            plan["moved"] = plan["moved"][1:] + plan["moved"][1:]
        elif key == "optimal":
            plan["status"] = "optimal"
        elif key == "orders" and plan["orders"]:
            plan["orders"].pop(data.draw(st.sampled_from(sorted(plan["orders"]))))
    return plan


def _change_booking(data, problem, bookings):
    name = data.draw(st.sampled_from(sorted(bookings)))
    place = bookings[name]
    how = data.draw(st.sampled_from(["shift", "shift", "end", "resource", "drop", "swap", "more"]))
    by = data.draw(st.sampled_from([-8 * 60, -60, -30, -10, 10, 30, 60, 120, 8 * 60, DAY_MINUTES]))
    resource = data.draw(st.sampled_from([one["id"] for one in problem["resources"]]))
    if how == "shift":
        place.update(start=written(minute(place["start"]) + by), end=written(minute(place["end"]) + by))
    elif how == "end":
        place["end"] = written(minute(place["end"]) + by)
    elif how == "resource" and place["resources"]:
        place["resources"] = [resource, *place["resources"][1:]]
    elif how == "more":
        place["resources"] = [*place["resources"], resource]
    elif how == "drop":
        del bookings[name]
    elif how == "swap":
        other = bookings[data.draw(st.sampled_from(sorted(bookings)))]
        place["resources"], other["resources"] = other["resources"], place["resources"]


def advanced(data, problem, plan):
    """The problem some hours on, with work done and in hand as planned, and the bookings that are left of the plan."""
    problem, bookings = copy.deepcopy(problem), copy.deepcopy(plan["bookings"])
    now = minute(problem["now"]) + STEP * data.draw(st.integers(1, 40))
    problem["now"] = written(now)
    problem["previous"] = {name: {"start": place["start"], "resources": place["resources"]}
                           for name, place in bookings.items()}
    for order in problem["orders"]:
        for operation in order["operations"]:
            place = bookings.get(operation["id"])
            if place is None or minute(place["start"]) >= now:
                continue
            operation["started_at"] = place["start"]
            if minute(place["end"]) <= now:
                operation["state"] = "done"
                del bookings[operation["id"]]
            else:
                operation["state"] = "started"
                end = minute(place["end"])
                operation["remaining_minutes"] = sum(
                    10 for at in range(now, end, 10) if not operation.get("may_pause")
                    or ends(problem, {"minutes": 10, "may_pause": True}, at, place["resources"]) == at + 10)
    return problem, bookings
