"""The earliest promise that can honestly be given for an order, and what moving another order would make of it."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

Json = dict[str, Any]
MOST_TRIED = 6


@dataclass(frozen=True)
class Offer:
    """An instant by which the order can be back; `moved` names an order that must give way, from its end to another."""

    at: datetime
    moved: str = ""
    moved_from: datetime | None = None
    moved_to: datetime | None = None
    moved_late: bool = False


def offers(problem: Json, order: str, bookings: Mapping[str, Mapping[str, Any]]) -> tuple[list[Offer], str]:
    """The earliest end of an order with everything else where it stands, then earlier ones if one other gives way.

    The plan is the quickest that the planner has, without search: the promise must be there while somebody waits on
    the telephone. Gives no offer and the planner's sentence where the order has no place at all.
    """
    stood, reason = _end(_pinned(problem, order, bookings, free={order}), order)
    if stood is None:
        return [], reason
    found = [Offer(stood)]
    for other in _in_the_way(problem, order, bookings, stood)[:MOST_TRIED]:
        stated = _pinned(problem, order, bookings, free={order, other}, first=order)
        end, moved_to = _ends(stated, order, other)
        before = _last(bookings, other)
        if end is None or moved_to is None or before is None or end >= stood:
            continue
        due = _due(problem, other)
        found.append(Offer(end, other, before, moved_to, due is not None and moved_to > due))
    others = sorted(found[1:], key=lambda one: (one.moved_late, one.at, one.moved))
    return [found[0], *others[:2]], ""


def _pinned(
    problem: Json, order: str, bookings: Mapping[str, Mapping[str, Any]], *, free: set[str], first: str = ""
) -> Json:
    """The problem with every order but the free ones pinned where it stands; `first` is made the most urgent of all."""
    orders = []
    for one in problem["orders"]:
        entry = copy.copy(one)
        if one["id"] not in free:
            stands = [operation for operation in one["operations"] if operation["id"] in bookings]
            if len(stands) < sum(operation.get("state") != "done" for operation in one["operations"]):
                continue
            entry["operations"] = [_pin(operation, bookings) for operation in one["operations"]]
        elif one["id"] == first:
            entry["weight"] = 1e4
        if one["id"] == order:
            entry["due"] = problem["now"]
            entry.pop("promise", None)
        orders.append(entry)
    return {**problem, "orders": orders, "weights": {"tardiness": 1.0}}


def _pin(operation: Json, bookings: Mapping[str, Mapping[str, Any]]) -> Json:
    if operation.get("state", "planned") != "planned":
        return operation
    stands = bookings[operation["id"]]
    return {**operation, "pin": {"start": stands["start"], "resources": stands["resources"]}}


def _end(stated: Json, order: str) -> tuple[datetime | None, str]:
    from analysis.schedule.plan import plan

    made = plan(stated, seconds=0.0)
    entry = made["orders"].get(order)  # type: ignore[attr-defined]
    if entry is None:
        reasons = [one["reason"] for one in made["unscheduled"] if one["order"] == order]  # type: ignore[attr-defined]
        return None, reasons[0] if reasons else "There is no place for it."
    return datetime.fromisoformat(entry["end"]), ""


def _ends(stated: Json, order: str, other: str) -> tuple[datetime | None, datetime | None]:
    from analysis.schedule.plan import plan

    found: Any = plan(stated, seconds=0.0)["orders"]
    return tuple(  # type: ignore[return-value]
        datetime.fromisoformat(found[key]["end"]) if key in found else None for key in (order, other)
    )


def _in_the_way(
    problem: Json, order: str, bookings: Mapping[str, Mapping[str, Any]], stood: datetime
) -> list[str]:
    """Orders that stand before the offer and may give way: not begun, not pinned, of no greater weight."""
    weights = {one["id"]: float(one.get("weight", 1.0)) for one in problem["orders"]}
    ends: dict[str, datetime] = {}
    for one in problem["orders"]:
        begun = any(operation.get("state", "planned") != "planned" for operation in one["operations"])
        pinned = any(operation.get("pin") for operation in one["operations"])
        last = _last(bookings, one["id"])
        if one["id"] != order and not begun and not pinned and last is not None:
            starts = [datetime.fromisoformat(bookings[operation["id"]]["start"]) for operation in one["operations"]
                      if operation["id"] in bookings]  # fmt: skip
            if min(starts) < stood and weights[one["id"]] <= weights.get(order, 1.0):
                ends[one["id"]] = last
    return sorted(ends, key=lambda key: (weights[key], -ends[key].timestamp(), key))


def _last(bookings: Mapping[str, Mapping[str, Any]], order: str) -> datetime | None:
    ends = [datetime.fromisoformat(one["end"]) for key, one in bookings.items() if key.partition("/")[0] == order]
    return max(ends, default=None)


def _due(problem: Json, order: str) -> datetime | None:
    for one in problem["orders"]:
        if one["id"] == order:
            limits = [datetime.fromisoformat(one[name]) for name in ("due", "promise") if one.get(name)]
            return min(limits, default=None)
    return None
