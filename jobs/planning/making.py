"""Alternatives for a problem, and what each of them costs against the plan before it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from jobs.planning.problem import undated

Json = dict[str, Any]


@dataclass(frozen=True)
class Aim:
    """What an alternative is after: a title a planner chooses by, and the weights of the contract."""

    title: str
    weights: dict[str, float]


FIRST = (
    Aim("Fewest hours late", {"tardiness": 1.0, "moved_promise": 4.0}),
    Aim("All done soonest", {"tardiness": 1.0, "moved_promise": 4.0, "makespan": 2.0}),
)
# A move costs as many minutes late. Even where only lateness counts it has a price: from the plan in force the search
# mostly comes to fewer hours late than from nothing in the same time, and moves half as many operations at most.
AGAIN = (
    Aim("Fewest moves", {"tardiness": 1.0, "moved_promise": 4.0, "moved_start": 600.0, "changed_resource": 600.0}),
    Aim("Promises first", {"tardiness": 0.25, "moved_promise": 20.0, "moved_start": 30.0, "changed_resource": 30.0}),
    Aim("Fewest hours late", {"tardiness": 1.0, "moved_promise": 4.0, "moved_start": 10.0, "changed_resource": 10.0}),
)


def aims(problem: Mapping[str, Any]) -> tuple[Aim, ...]:
    """Around a plan in force the moves count too; without one there is nothing to move."""
    return AGAIN if problem.get("previous") else FIRST


def alternatives(
    problem: Json, *, seconds: float, progress: Callable[[int, int, str], None]
) -> Iterator[tuple[Aim, Json, Json]]:
    """For each aim the problem with its weights and the plan found, leaving out plans that were found before."""
    # numba and ortools: a second and 100 MB that a web process does without until it must.
    from analysis.schedule.plan import plan

    wanted = aims(problem)
    seen: list[Any] = []
    for number, aim in enumerate(wanted):
        progress(number, len(wanted), f"Looking for {aim.title.lower()}.")
        stated = {**problem, "weights": aim.weights}
        found = plan(stated, seconds=seconds / len(wanted))
        if found["bookings"] in seen:
            continue
        seen.append(found["bookings"])
        yield aim, stated, found


def cost(problem: Json, plan: Mapping[str, Any], *, before: Mapping[str, str]) -> Json:
    """What a plan costs: hours late, promises missed and moved, operations moved, people changed, orders left out.

    Moves are against `previous` of the problem; a promise is moved when the order ends after it. `before` has the
    end of each order on the board when the plan was asked for. What has no date is never late.
    """
    weights = {order["id"]: float(order.get("weight", 1.0)) for order in problem["orders"]}
    without = undated(problem)
    late = {
        key: entry["tardiness_minutes"] / 60 for key, entry in plan["orders"].items() if key not in without
    }
    promises = {key: entry["promise_moved_minutes"] / 60 for key, entry in plan["orders"].items()}
    people = {one["id"] for one in problem["resources"] if one["kind"] == "person"}
    previous = problem.get("previous") or {}
    people_changed = [
        one["operation"]
        for one in plan["moved"]
        if "resources" in one["changed"]
        and set(previous[one["operation"]]["resources"]) & people
        != set(plan["bookings"][one["operation"]]["resources"]) & people
    ]
    left_out = {one["order"] for one in plan["unscheduled"]}
    return {
        "orders": len(plan["orders"]),
        "late": sum(hours > 0 for hours in late.values()),
        "hours_late": round(sum(late.values()), 2),
        "weighted_hours_late": round(sum(weights[key] * hours for key, hours in late.items()), 2),
        "promises_moved": [
            {"order": key, "hours": round(hours, 2)} for key, hours in promises.items() if hours > 0
        ],
        "ends_moved": [
            {"order": key, "from": before[key], "to": entry["end"]}
            for key, entry in plan["orders"].items()
            if key in before and datetime.fromisoformat(before[key]) != datetime.fromisoformat(entry["end"])
        ],
        "promises_lost": [one["id"] for one in problem["orders"] if one["id"] in left_out and one.get("promise")],
        "orders_lost": [one["id"] for one in problem["orders"] if one["id"] in left_out and one["id"] in before],
        "orders_placed": sum(key not in before for key in plan["orders"]),
        "moved": len(plan["moved"]),
        "operations_lost": sum(
            operation["id"] in previous and operation["id"] not in plan["bookings"]
            for order in problem["orders"]
            if order["id"] in left_out
            for operation in order["operations"]
        ),
        "could_move": sum(
            operation.get("state", "planned") == "planned" and operation["id"] in previous
            for order in problem["orders"]
            for operation in order["operations"]
        ),
        "people_changed": len(people_changed),
        "left_out": len(plan["unscheduled"]),
        "ends": max((entry["end"] for entry in plan["orders"].values()), key=datetime.fromisoformat, default=None),
    }


def broken(found: Mapping[str, Any]) -> int:
    """Promises that a plan does not keep, those of orders that it leaves out as well."""
    return len(found["promises_moved"]) + len(found.get("promises_lost", ()))


def titled(found: Sequence[tuple[Aim, Json]]) -> list[str]:
    """What each plan may be called, given the aim it was looked for with and its cost; empty where it is best at none.

    A search ends with the time it has, so that the plan looked for with an aim need not be the best by it. A title is
    read as a promise: it goes to the plan that is best by its own measure, among equals to the one looked for with it.
    """
    titles: list[list[str]] = [[] for _ in found]
    costs = [one for _, one in found]
    same = [costs.index(one) for one in costs]  # nobody can choose between plans that cost the same in everything
    for number, (aim, _) in enumerate(found):
        ranks = [(_measure(aim.title, one), same[other] != same[number]) for other, one in enumerate(costs)]
        titles[ranks.index(min(ranks))].append(aim.title)
    return [", ".join([some[0], *(one.lower() for one in some[1:])]) if some else "" for some in titles]


def _measure(title: str, found: Mapping[str, Any]) -> tuple[float, ...]:
    """The less, the better; an order without a place is never made up for by what the others do."""
    late, moved, out = found["weighted_hours_late"], found["moved"], found["left_out"]
    past = sum(one["hours"] for one in found["promises_moved"])
    by_title: dict[str, tuple[float, ...]] = {
        "Fewest moves": (moved, late),
        "Promises first": (broken(found), past, moved),
        "All done soonest": (datetime.fromisoformat(found["ends"]).timestamp() if found["ends"] else 0.0, late),
    }
    return (out, *by_title.get(title, (late, moved)))


def summary(found: Mapping[str, Any]) -> str:
    """The costs in a sentence for the history."""
    parts = [f"{found['orders']} orders", f"{found['late']} late by {found['hours_late']:g} h together"]
    if found["could_move"]:
        parts.append(f"{found['moved']} of {found['could_move']} operations moved")
    if found["promises_moved"]:
        parts.append(f"{len(found['promises_moved'])} past their promise")
    if found.get("promises_lost"):
        parts.append(f"{len(found['promises_lost'])} promised and without a place")
    if found["left_out"]:
        parts.append(f"{found['left_out']} left out")
    return ", ".join(parts)
