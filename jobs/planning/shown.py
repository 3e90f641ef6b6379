"""Plans as pages show them: in the words and the time of the shop, costs side by side."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from jobs.planning.left_out import LeftOut, clashes, left_out
from jobs.planning.making import broken
from jobs.planning.models import Plan
from jobs.planning.moves import OrderMoves, moves
from jobs.planning.problem import undated
from jobs.planning.promising import Offer, Offers
from jobs.planning.wording import length, moment, said

Json = dict[str, Any]


@dataclass
class Alternative:
    """A plan with its costs in words: `moves` say what moves and why, `late` which orders are late and why.

    `loses` are the orders that stand on the board and have no place in it.
    """

    plan: Plan
    moves: list[OrderMoves] = field(default_factory=list)
    late: list[tuple[str, str, list[str]]] = field(default_factory=list)
    promises: list[str] = field(default_factory=list)
    ends: list[tuple[str, str, str, str]] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)
    conflicts: list[str] = field(default_factory=list)
    loses: list[str] = field(default_factory=list)


def alternative(plan: Plan) -> Alternative:
    """Everything a planner needs to choose a plan or to leave it."""
    names, zone, made, cost = plan.names, plan.shop.zone, plan.plan, plan.cost
    found = Alternative(plan)
    found.moves = moves(made, plan.problem.get("previous") or {}, names, zone)
    without = undated(plan.problem)
    for key, entry in made["orders"].items():
        if entry["tardiness_minutes"] and key not in without:
            why = [said(one, names, zone) for one in entry.get("late_because", [])]
            found.late.append((names.get(key, key), length(entry["tardiness_minutes"]), why))
    found.late.sort(key=lambda one: one[0])
    for one in cost.get("promises_moved", []):
        found.promises.append(f"{names.get(one['order'], one['order'])}: {length(one['hours'] * 60)} after its promise")
    found.promises += [f"{names.get(key, key)}: left out, so at no time" for key in cost.get("promises_lost", [])]
    found.loses = [names.get(key, key) for key in cost.get("orders_lost", [])]
    for one in cost.get("ends_moved", []):
        before, after = datetime.fromisoformat(one["from"]), datetime.fromisoformat(one["to"])
        by = length((after - before).total_seconds() / 60)
        found.ends.append((names.get(one["order"], one["order"]), moment(before, zone), moment(after, zone),
                           f"{by} {'later' if after > before else 'earlier'}"))  # fmt: skip
    found.left_out = left_out(made, names, zone)
    found.conflicts = clashes(made, names, zone)
    return found


def compared(alternatives: Iterable[Alternative]) -> list[tuple[str, list[str]]]:
    """The costs line by line, one column for each alternative."""
    alternatives = list(alternatives)
    costs = [one.plan.cost for one in alternatives]
    if not costs:
        return []
    left = any(cost["left_out"] for cost in costs)
    rows: list[tuple[str, list[str]]] = [
        ("Orders left out", [str(cost["left_out"]) for cost in costs]),
        ("Orders later than needed", [f"{cost['late']} of {cost['orders']}" for cost in costs]),
        ("Hours later than needed, all orders together", [f"{cost['hours_late']:.1f} h" for cost in costs]),
        ("The same, weighted by priority", [f"{cost['weighted_hours_late']:.1f} h" for cost in costs]),
        ("Promises not kept", [str(broken(cost)) for cost in costs]),
    ]
    if any(cost["promises_moved"] for cost in costs):
        past = [sum(one["hours"] for one in cost["promises_moved"]) for cost in costs]
        rows.append(("Hours past promises, all orders together", [f"{hours:.1f} h" for hours in past]))
    if all(cost.get("ends") for cost in costs):
        zone = alternatives[0].plan.shop.zone
        done = "All but those left out done by" if left else "All done by"
        rows.append((done, [moment(datetime.fromisoformat(cost["ends"]), zone) for cost in costs]))
    if any(cost["could_move"] for cost in costs):
        rows += [
            ("Operations moved", [f"{cost['moved']} of {cost['could_move']}" for cost in costs]),
            ("Of these, only with another instrument", [str(_only_instruments(one)) for one in alternatives]),
            ("Operations that change people", [str(cost["people_changed"]) for cost in costs]),
            ("Operations that lose their place", [str(cost.get("operations_lost", 0)) for cost in costs]),
            ("Orders that end at another time", [str(len(cost["ends_moved"])) for cost in costs]),
        ]
    return rows


def _only_instruments(one: Alternative) -> int:
    """How many of its moves keep time, place and people and only take another instrument."""
    previous = one.plan.problem.get("previous") or {}
    kinds = {resource["id"]: resource["kind"] for resource in one.plan.problem["resources"]}
    found = 0
    for move in one.plan.plan["moved"]:
        before, after = previous[move["operation"]], one.plan.plan["bookings"][move["operation"]]
        changed = set(before["resources"]) ^ set(after["resources"])
        same_time = datetime.fromisoformat(before["start"]) == datetime.fromisoformat(after["start"])
        found += same_time and not any(kinds.get(key) in {"bay", "crane", "person"} for key in changed)
    return found


def tried_words(found: Offers) -> str:
    """Of how many other orders the page knows what moving them would bring; nothing where none stands in the way."""
    if not found.in_the_way:
        return ""
    if found.tried == found.in_the_way:
        return ("One other order stands before it and could give way; moving it was tried." if found.tried == 1 else
                f"{found.tried} other orders stand before it and could give way; moving each of them was tried.")
    return (f"{found.in_the_way} other orders stand before it and could give way; moving {found.tried} of them was "
            f"tried, each alone: others may do better, and a plan weighs them all.")


def offer_words(offer: Offer, names: Mapping[str, str], zone: ZoneInfo) -> str:
    """A promise in a sentence, with what it takes."""
    if offer.stands:
        return f"{moment(offer.at, zone)}, where the board has it."
    if not offer.moved:
        first = "if it moves there first, " if offer.itself else ""
        return f"{moment(offer.at, zone)}, {first}with everything else where it stands."
    assert offer.moved_from is not None
    assert offer.moved_to is not None
    other = names.get(offer.moved, offer.moved)
    late = ", which is too late for it" if offer.moved_late else ""
    moved = f"{moment(offer.moved_from, zone)} to {moment(offer.moved_to, zone)}"
    first = "it moves there first and " if offer.itself else ""
    return f"{moment(offer.at, zone)}, if {first}{other} moves from {moved}{late}."
