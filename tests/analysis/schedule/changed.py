"""Problems with a fact let go or a remedy taken, in the JSON of the contract: written apart from the planner."""

from __future__ import annotations

import copy

from tests.analysis.schedule.small import operation, resource


def order_of(problem, name):
    return next(one for one in problem["orders"] if one["id"] == name)


def let_go(problem, named):
    """The problem without one fact of a set."""
    made, kind, ids = copy.deepcopy(problem), named["kind"], named["ids"]
    resources = [one for one in made["resources"] if one["id"] in ids]
    operations = [one for order in made["orders"] for one in order["operations"] if one["id"] in ids]
    orders = [one for one in made["orders"] if one["id"] in ids]
    if kind == "usable":
        for one in resources:
            one.pop("usable_from", None), one.pop("usable_until", None)
    elif kind == "calendar":
        for one in resources:
            one.pop("calendar")
    elif kind == "skill":
        for one in resources:
            one["skills"].update({name: [None, None] for name in ids if name in one["skills"]})
    elif kind in ("pin", "taken"):
        for one in operations:
            one.pop("pin", None)
    elif kind == "hand":
        for one in operations:
            one["needs"], made["previous"][one["id"]]["resources"] = [], []
    elif kind == "lag":
        for one in operations:
            one["after"] = [wait["id"] if isinstance(wait, dict) else wait for wait in one["after"]]
    elif kind == "pause":
        for one in operations:
            one["may_pause"] = True
    elif kind == "release":
        for one in orders:
            one.pop("release")
    elif kind == "beside":
        made["orders"] = [one for one in made["orders"] if one not in orders]
    elif kind == "hold":
        for one in orders:
            for part in one["operations"]:
                for need in part["needs"]:
                    need.pop("hold", None)
    else:
        raise AssertionError(f"no such fact: {kind}")
    return made


def remedied(problem, change):
    """The problem with a remedy taken."""
    made, kind = copy.deepcopy(problem), change["kind"]
    if kind in ("usable", "skill"):
        one = resource(made, change["resource"])
        if kind == "usable":
            one["usable_from"], one["usable_until"] = change["from"], change["until"]
        else:
            one.setdefault("skills", {})[change["skill"]] = [change["from"], change["until"]]
    elif kind == "calendar":
        one = resource(made, change["resource"])
        made["calendars"]["longer"] = joined([*made["calendars"][one["calendar"]], *change["spans"]])
        one["calendar"] = "longer"
    elif kind == "pin":
        if change["start"] is None:
            operation(made, change["operation"]).pop("pin")
        else:
            operation(made, change["operation"])["pin"] = {"start": change["start"]}
    elif kind == "hand":
        operation(made, change["operation"])["remaining_minutes"] = change["remaining_minutes"]
    elif kind == "more":
        one = copy.deepcopy(resource(made, change["resource"]))
        one["id"] += " bis"
        one.pop("usable_from", None), one.pop("usable_until", None)
        one["skills"] = {name: [None, None] for name in one.get("skills", {})}
        made["resources"].append(one)
    elif kind == "release":
        order_of(made, change["order"])["release"] = change["release"]
    else:
        ids = [change.get("order", change.get("operation"))]
        made = let_go(made, {"kind": kind, "ids": ids})
    return made


def joined(spans):
    """Spans without overlaps; all are written in UTC alike, so that they sort as texts."""
    made = []
    for start, end in sorted(spans):
        if made and start <= made[-1][1]:
            made[-1][1] = max(made[-1][1], end)
        else:
            made.append([start, end])
    return made
