"""Whether the figures of a plan are those of its bookings; for the checker alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from analysis.schedule.check_plan import SENTENCE_KEYS, Findings, Given
from analysis.schedule.check_reading import Order, Shop, instant, shown

PARTS = ("tardiness", "moved_promise", "moved_start", "changed_resource", "makespan")
CLOSE = 1e-6


def check_figures(shop: Shop, given: Given, findings: Findings) -> None:
    """Figures of the orders, parts, objective, bound, and the list of what moved."""
    raw = given.raw.get("orders") or {}
    late = promises = 0.0
    last = shop.now
    for order in shop.orders.values():
        if order.id in given.left_out:
            continue
        start, end = _extent(order, given)
        tardiness = max(0, end - order.due) / 60 if end is not None and order.due is not None else 0.0
        moved = max(0, end - order.promise) / 60 if end is not None and order.promise is not None else 0.0
        late += order.weight * tardiness
        promises += moved
        last = max(last, end if end is not None else last)
        if start is not None:  # otherwise there is nothing to compare, and what is missing is said elsewhere
            _order(order, raw.get(order.id), (start, end, tardiness, moved), findings)
    for name in raw:
        if name not in shop.orders or name in given.left_out:
            findings.add("orders", f"The plan has figures for {name!r}, which is no order in it.")
    starts, sets = _moves(shop, given, findings)
    amounts = dict(zip(PARTS, (late, promises, starts, sets, (last - shop.now) / 60), strict=True))
    _objective({name: shop.weights.get(name, 0.0) * amount for name, amount in amounts.items()}, given, findings)


def _extent(order: Order, given: Given) -> tuple[int | None, int | None]:
    """First start and last end of what is known of an order's operations."""
    places = [place for place in (given.place(one.id) for one in order.operations) if place is not None]
    if not places:
        return None, None
    return min(place.start for place in places), max(place.end for place in places)


def _order(order: Order, raw: Any, wanted: tuple[int | None, int | None, float, float], findings: Findings) -> None:
    start, end, tardiness, moved = wanted
    if not isinstance(raw, Mapping):
        findings.add("orders", f"The plan has no figures for order {order.id}.", order=order.id)
        return
    for key, moment in (("start", start), ("end", end)):
        try:
            given = None if raw.get(key) is None else instant(raw[key])
        except ValueError as wrong:
            findings.add("format", f"The {key} of order {order.id} cannot be read: {wrong}.", order=order.id)
            continue
        if given != moment:
            findings.add("orders", f"Order {order.id}: the {key} is {_moment(moment)}, and the plan says "
                                   f"{_moment(given)}.", order=order.id)
    for key, minutes in (("tardiness_minutes", tardiness), ("promise_moved_minutes", moved)):
        value = raw.get(key)
        if value is None and key == "promise_moved_minutes" and order.promise is None:
            continue
        if not _same(value, minutes):
            findings.add("orders", f"Order {order.id}: {key} is {minutes:g}, and the plan says {value!r}.",
                         order=order.id)


def _moment(seconds: int | None) -> str:
    return "not known" if seconds is None else shown(seconds)


def _moves(shop: Shop, given: Given, findings: Findings) -> tuple[int, int]:
    """Numbers of operations with another start and with other resources; `moved` must list exactly these."""
    starts, sets = set(), set()
    for name, before in shop.previous.items():
        place = given.booked.get(name)
        if place is None or place.operation.state != "planned":
            continue
        if before.start is not None and before.start != place.start:
            starts.add(name)
        if before.resources is not None and set(before.resources) != set(place.resources):
            sets.add(name)
    listed: list[object] = []
    raw = given.raw.get("moved") or []
    for entry in raw.items() if isinstance(raw, Mapping) else raw:
        one, reason = _entry(entry)
        listed.append(one)
        if not reason:
            findings.add("moved", f"{one!r} is listed as moved without a reason class.",
                         operation=shop.operations.get(str(one)))
    for name in sorted(starts | sets):
        if listed.count(name) != 1:
            findings.add("moved", f"{name} has another {'start' if name in starts else 'set of resources'} than in the "
                                  f"plan in force and is listed as moved {listed.count(name)} times.",
                         operation=shop.operations[name])
    for name in sorted(set(map(str, listed)) - starts - sets):
        findings.add("moved", f"{name} is listed as moved and stands as in the plan in force, or is not in it.",
                     operation=shop.operations.get(name))
    return len(starts), len(sets)


def _entry(entry: Any) -> tuple[object, bool]:
    """The operation and whether a reason stands with it: a pair of a mapping, or an object of a list."""
    if isinstance(entry, tuple):
        name, value = entry
        return name, bool(value)
    if isinstance(entry, Mapping):
        name = entry.get("operation", entry.get("id"))
        return name, any(bool(entry.get(key)) for key in (*SENTENCE_KEYS, "class", "reason_class"))
    return entry, False


def _objective(wanted: dict[str, float], given: Given, findings: Findings) -> None:
    parts = given.raw.get("parts")
    if not isinstance(parts, Mapping):
        findings.add("parts", "The plan does not give the parts of its objective.")
        parts = wanted
    for name in sorted(set(parts) - set(PARTS)):
        findings.add("parts", f"{name!r} is no part of the objective.")
    for name, value in wanted.items():
        if not _same(parts.get(name), value):
            findings.add("parts", f"The part {name} is {value:g}, and the plan says {parts.get(name)!r}.")
    objective, bound = given.raw.get("objective"), given.raw.get("bound")
    total = math.fsum(wanted.values())
    if not _same(objective, total):
        findings.add("objective", f"The objective is {total:g}, and the plan says {objective!r}.")
    if bound is None or not _number(bound):
        findings.add("bound", f"The bound {bound!r} is no number; where nothing is proven it is 0.")
    elif bound > total and not _same(bound, total):
        findings.add("bound", f"The bound {bound:g} lies above the objective {total:g}.")
    elif given.status == "optimal" and not _same(bound, total):
        findings.add("bound", f"The plan is called optimal, and its bound {bound:g} lies below its objective "
                              f"{total:g}.")


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _same(value: Any, wanted: float) -> bool:
    return _number(value) and abs(value - wanted) <= CLOSE * max(1.0, abs(wanted))
