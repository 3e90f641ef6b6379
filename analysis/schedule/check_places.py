"""Whether each booking by itself holds: time, calendars, needs, pins, work in hand, order of work; for the checker."""

from __future__ import annotations

from analysis.schedule.check_plan import Findings, Given, Placed
from analysis.schedule.check_reading import Need, Operation, Resource, Shop, Spans, is_open, pieces, shown

DAY_S = 86_400


def check_places(shop: Shop, given: Given, findings: Findings) -> None:
    """Every rule that looks at one booking, and at those it comes after."""
    _complete(shop, given, findings)
    for place in given.booked.values():
        if place.operation.state == "started":
            _started(shop, place, findings)
        else:
            _times(shop, place, findings)
            _pin(place, findings)
            _length(place, findings)
            _needs(shop, place, findings)
            _precedence(shop, given, place, findings)
    for place in given.done.values():
        if place.operation.id in (given.raw.get("bookings") or {}):
            _done(place, findings)


def _complete(shop: Shop, given: Given, findings: Findings) -> None:
    """Every operation of every order that is not left out is booked, and none of an order that is."""
    for order in shop.orders.values():
        for operation in order.operations:
            if order.id in given.left_out:
                if operation.state == "planned" and operation.id in given.booked:
                    findings.add("unscheduled", f"Order {order.id} is left out and its operation {operation.id} is "
                                                f"booked all the same.", operation=operation)
            elif operation.state != "done" and operation.id not in given.booked:
                findings.add("completeness", f"Operation {operation.id} has no booking and its order {order.id} is not "
                                             f"left out.", operation=operation)


def _times(shop: Shop, place: Placed, findings: Findings) -> None:
    """Grid, now and release, for what is yet to start."""
    operation, start = place.operation, place.start
    if operation.pin_start is None and start % DAY_S % shop.grid:
        findings.add("grid", f"{operation.id} starts at {shown(start)}, not on the grid of {shop.grid // 60} minutes.",
                     operation=operation)
    if start < shop.now:
        findings.add("now", f"{operation.id} starts at {shown(start)}, before now ({shown(shop.now)}).",
                     operation=operation)
    release = shop.orders[operation.order].release
    if start < release:
        findings.add("release", f"{operation.id} starts at {shown(start)}, before its order {operation.order} is "
                                f"released ({shown(release)}).", operation=operation)


def _pin(place: Placed, findings: Findings) -> None:
    operation = place.operation
    if operation.pin_start is not None and place.start != operation.pin_start:
        findings.add("pin", f"{operation.id} is pinned to {shown(operation.pin_start)} and starts at "
                            f"{shown(place.start)}.", operation=operation)
    for missing in sorted(set(operation.pin_resources) - set(place.resources)) if operation.pin_resources else ():
        findings.add("pin", f"{operation.id} is pinned to {missing}, which it does not have.", operation=operation,
                     resource=missing)


def hours_of(place: Placed) -> list[Spans]:
    """The calendars that a booking has to keep to."""
    return [one.hours for one in place.known if one.hours is not None]


def _length(place: Placed, findings: Findings) -> None:
    """The booking lasts its minutes in working time."""
    operation, start, end = place.operation, place.start, place.end
    if operation.may_pause and operation.seconds and end >= start:
        _working(place, start, operation.seconds, findings)
        return
    if end - start != operation.seconds:
        findings.add("duration", f"{operation.id} lasts {operation.seconds / 60:g} minutes and is booked from "
                                 f"{shown(start)} to {shown(end)}.", operation=operation)
    for one in place.known:
        if one.hours is not None and not is_open(one.hours, start, end):
            findings.add("calendar", f"{one.id} does not work all the time from {shown(start)} to {shown(end)}, when "
                                     f"{operation.id} is booked on it.", operation=operation, resource=one.id)


def _working(place: Placed, start: int, seconds: int, findings: Findings) -> None:
    """Start and end lie in working time and what lies between is the length, pauses left out."""
    operation, end = place.operation, place.end
    worked = pieces(hours_of(place), start, end)
    if not worked or (worked[0][0] != start and operation.state != "started") or worked[-1][1] != end:
        findings.add("calendar", f"{operation.id} starts or ends ({shown(place.start)}, {shown(end)}) when not all its "
                                 f"resources work.", operation=operation)
        return
    total = sum(until - begin for begin, until in worked)
    if total != seconds:
        findings.add("duration", f"{operation.id} needs {seconds / 60:g} working minutes from {shown(start)} and has "
                                 f"{total / 60:g} until {shown(end)}.", operation=operation)


def _needs(shop: Shop, place: Placed, findings: Findings) -> None:
    """The right number of different, fit resources for each need, in its order."""
    operation, resources, start, end = place.operation, shop.resources, place.start, place.end
    if place.parts is None:
        wanted = [need.count for need in operation.needs]
        findings.add("needs", f"{operation.id} needs {wanted} resources, need by need, and is booked on "
                              f"{len(place.resources)}.", operation=operation)
    else:
        for need, ids in zip(operation.needs, place.parts, strict=True):
            for one in ids:
                resource = resources.get(one)
                if resource is not None:
                    _fit(resource, need, place, findings)
    if len(set(place.resources)) != len(place.resources):
        twice = sorted({one for one in place.resources if place.resources.count(one) > 1})
        findings.add("needs", f"{operation.id} has {', '.join(twice)} more than once.", operation=operation,
                     resource=twice[0])
    for resource in place.known:
        early = start < resource.usable_from
        if early or end > resource.usable_until:
            limit = f"before {shown(resource.usable_from)}" if early else f"after {shown(resource.usable_until)}"
            findings.add("usable", f"{resource.id} may not be used {limit}, and {operation.id} has it from "
                                   f"{shown(start)} to {shown(end)}.", operation=operation, resource=resource.id)


def _fit(resource: Resource, need: Need, place: Placed, findings: Findings) -> None:
    operation = place.operation
    if need.kind is not None and resource.kind != need.kind:
        findings.add("needs", f"{operation.id} needs a {need.kind} and has {resource.id}, a {resource.kind}.",
                     operation=operation, resource=resource.id)
    if need.any_of is not None and resource.id not in need.any_of:
        findings.add("needs", f"{operation.id} needs one of {', '.join(sorted(need.any_of))} and has {resource.id}.",
                     operation=operation, resource=resource.id)
    if need.skill is not None and not skilled(resource, need.skill, place):
        findings.add("skill", f"{resource.id} does not hold the skill {need.skill} all the time from "
                              f"{shown(place.start)} to {shown(place.end)}, when {operation.id} needs it.",
                     operation=operation, resource=resource.id)


def skilled(resource: Resource, skill: str, place: Placed) -> bool:
    """Whether the skill is held all through the booking; its first and last moment count."""
    validity = resource.skills.get(skill)
    return validity is not None and validity[0] <= place.start and place.end <= validity[1]


def _precedence(shop: Shop, given: Given, place: Placed, findings: Findings) -> None:
    operation = place.operation
    for name, lag in operation.after:
        before = given.place(name)
        if before is None:
            if shop.operations[name].state != "done":
                findings.add("precedence", f"{operation.id} comes after {name}, which has no place.",
                             operation=operation)
        elif place.start < before.end + lag:
            late = f" and {lag / 60:g} minutes" if lag else ""
            findings.add("precedence", f"{operation.id} starts at {shown(place.start)}, and {name}, after which it "
                                       f"comes, ends at {shown(before.end)}{late}.", operation=operation)


def _started(shop: Shop, place: Placed, findings: Findings) -> None:
    """Work in hand keeps its start and resources and ends when what remains of it is done."""
    operation, end = place.operation, place.end
    before = shop.previous.get(operation.id)
    starts = {one for one in (operation.started_at, before.start if before else None) if one is not None}
    if place.start not in starts if starts else place.start > shop.now:
        findings.add("started", f"{operation.id} is in hand since {' or '.join(map(shown, sorted(starts))) or 'now'} "
                                f"and is booked from {shown(place.start)}.", operation=operation)
    if before is not None and before.resources is not None and set(before.resources) != set(place.resources):
        findings.add("started", f"{operation.id} is in hand with {', '.join(before.resources)} and is booked on "
                                f"{', '.join(place.resources)}.", operation=operation)
    remaining = operation.remaining
    if remaining is None:
        if end < shop.now:
            findings.add("started", f"{operation.id} is in hand and is booked to end before now.", operation=operation)
    elif operation.may_pause and remaining and end > shop.now:
        _working(place, shop.now, remaining, findings)
    elif end != shop.now + remaining:
        findings.add("started", f"{operation.id} is in hand with {remaining / 60:g} minutes left and is booked to end "
                                f"at {shown(end)}.", operation=operation)


def _done(place: Placed, findings: Findings) -> None:
    """Done work that the plan books stands where it was."""
    operation: Operation = place.operation
    if operation.started_at is not None and place.start != operation.started_at:
        findings.add("done", f"{operation.id} was done from {shown(operation.started_at)} and is booked from "
                             f"{shown(place.start)}.", operation=operation)
    if place.end != place.start + operation.seconds:
        findings.add("done", f"{operation.id} is done, lasted {operation.seconds / 60:g} minutes, and is booked from "
                             f"{shown(place.start)} to {shown(place.end)}.", operation=operation)
