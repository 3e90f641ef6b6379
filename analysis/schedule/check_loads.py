"""Whether resources are kept and never taken beyond their capacity; for the checker alone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from analysis.schedule.check_places import hours_of, skilled
from analysis.schedule.check_plan import Findings, Given, Placed
from analysis.schedule.check_reading import Need, Resource, Shop, pieces, shown

PERSON = "person"


@dataclass(slots=True)
class Taken:
    """A resource taken from `start` to `end` (the same moment for a hold point) by an operation, or by its order."""

    start: int
    end: int
    amount: float
    place: Placed
    whole_order: bool

    def by(self) -> str:
        """Who took it, for a sentence."""
        return f"order {self.place.operation.order}" if self.whole_order else self.place.operation.id


@dataclass(slots=True)
class Kept:
    """What one operation has for a need that its order keeps."""

    place: Placed
    need: Need
    ids: list[str]


def check_loads(shop: Shop, given: Given, findings: Findings) -> None:
    """Every resource: never more taken than its capacity, hold points not inside a booking, one person one place."""
    taken: dict[str, list[Taken]] = defaultdict(list)
    kept: dict[tuple[object, ...], list[Kept]] = defaultdict(list)
    for place in given.booked.values():
        _take(place, taken, kept)
    for place in given.done.values():
        for need, ids in zip(place.operation.needs, place.parts or (), strict=False):
            if need.for_order:
                kept[place.operation.order, need.key].append(Kept(place, need, ids))
    for group in kept.values():
        _same_all_over(shop, group, findings)
        for resource, held in _holds(group):
            taken[resource].append(held)
            if resource in shop.resources and shop.resources[resource].kind == PERSON:
                _one_place(shop.resources[resource], group, findings)
    for name, list_of_taken in taken.items():
        if name in shop.resources:
            _over_time(shop.resources[name], list_of_taken, findings)


def _take(place: Placed, taken: dict[str, list[Taken]], kept: dict[tuple[object, ...], list[Kept]]) -> None:
    """Sort what a booking has into what it takes for itself and what its order keeps."""
    operation = place.operation
    times = [(place.start, place.end)]
    if operation.may_pause and operation.release_in_pause and place.start < place.end:
        times = pieces(hours_of(place), place.start, place.end)
    if place.parts is None:
        for one in place.resources:
            taken[one].extend(Taken(begin, end, 1, place, False) for begin, end in times)
        return
    for need, ids in zip(operation.needs, place.parts, strict=True):
        if need.for_order:
            kept[operation.order, need.key].append(Kept(place, need, ids))
            continue
        for one in ids:
            for begin, end in times:
                taken[one].append(Taken(begin, end, need.amount, place, False))


def _same_all_over(shop: Shop, group: list[Kept], findings: Findings) -> None:
    """The operations that share a kept need have the same resources; with other counts the fewer are among the more.

    Where a done operation had something that is no longer fit for a later one, the later one may have another.
    """
    if all(one.ids == group[0].ids for one in group):
        return
    live = [one for one in group if one.place.operation.state != "done"]
    if not live:
        return
    most = max(live, key=lambda one: len(one.ids))
    for one in live:
        operation = one.place.operation
        for other in sorted(set(one.ids) - set(most.ids)):
            findings.add("hold", f"{operation.id} has {other}, and its order {operation.order} keeps "
                                 f"{', '.join(most.ids)} for this need since or until {most.place.operation.id}.",
                         operation=operation, resource=other)
    for past in group:
        if past.place.operation.state != "done":
            continue
        for one in live:
            lost = [name for name in past.ids if name not in one.ids and _still_fit(shop, name, one)]
            if lost and len(set(past.ids) & set(one.ids)) < min(len(past.ids), len(one.ids)):
                operation = one.place.operation
                findings.add("hold", f"Order {operation.order} has {lost[0]} since {past.place.operation.id} and keeps "
                                     f"it, and {operation.id} is booked without it.", operation=operation,
                             resource=lost[0])


def _still_fit(shop: Shop, name: str, kept: Kept) -> bool:
    """Whether a resource could still have served the booking."""
    resource = shop.resources.get(name)
    return (resource is not None and resource.usable_from <= kept.place.start
            and kept.place.end <= resource.usable_until
            and (kept.need.skill is None or skilled(resource, kept.need.skill, kept.place)))


def _holds(group: list[Kept]) -> Iterator[tuple[str, Taken]]:
    """Each resource of a kept need from the first start to the last end of the operations that have it."""
    users: dict[str, list[Kept]] = defaultdict(list)
    for one in group:
        for name in set(one.ids):
            users[name].append(one)
    for name, uses in users.items():
        live = [one for one in uses if one.place.operation.state != "done"]
        if not live:
            continue
        first = min(uses, key=lambda one: one.place.start)
        yield name, Taken(first.place.start, max(one.place.end for one in live),
                          max(one.need.amount for one in live), live[0].place, True)


def _one_place(person: Resource, group: list[Kept], findings: Findings) -> None:
    """A person kept for an order still does one of its operations at a time."""
    own = sorted((one.place for one in group if person.id in one.ids and one.place.operation.state != "done"),
                 key=lambda place: (place.start, place.end))
    for before, after in pairwise(own):
        if after.start < before.end:
            rule = "hold_point" if after.start == after.end else "capacity"
            findings.add(rule, f"{person.id} is booked for {before.operation.id} until {shown(before.end)} and "
                                     f"for {after.operation.id} from {shown(after.start)}.",
                         operation=after.operation, resource=person.id)


def _over_time(resource: Resource, taken: list[Taken], findings: Findings) -> None:
    """Nothing beyond the capacity at any time."""
    taken.sort(key=lambda one: (one.start, one.end))
    if all(after.start >= before.end for before, after in pairwise(taken)) and all(
            one.amount <= resource.capacity for one in taken):
        return
    # at one moment: first what ends, then hold points, which may stand at either end of a booking, then what begins
    events = [(one.start, 1 if one.start == one.end else 2, number) for number, one in enumerate(taken)]
    events += [(one.end, 0, number) for number, one in enumerate(taken) if one.start < one.end]
    running: dict[int, Taken] = {}
    for moment, what, number in sorted(events):
        if what == 0:
            del running[number]
            continue
        new = taken[number]
        load = sum(one.amount for one in running.values())
        if load + new.amount > resource.capacity:
            _too_much(resource, new, list(running.values()), load, moment, findings)
        if what == 2:
            running[number] = new


def _too_much(resource: Resource, new: Taken, running: list[Taken], load: float, moment: int,
              findings: Findings) -> None:
    rule = "hold_point" if new.start == new.end and running else "capacity"
    others = "; ".join(f"{one.by()} has it from {shown(one.start)} to {shown(one.end)}" for one in running)
    if resource.capacity == 1 and running:
        message = f"{resource.id} is booked for {new.by()} at {shown(moment)}, and {others}."
    else:
        message = (f"{resource.id} has a capacity of {resource.capacity:g}; at {shown(moment)} {new.by()} takes "
                   f"{new.amount:g} beside {load:g} taken" + (f" ({others})." if others else "."))
    findings.add(rule, message, operation=new.place.operation, resource=resource.id)
