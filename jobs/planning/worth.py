"""What one more bay, shift, instrument or person would have been worth: accepted plans made again with it.

Each accepted problem is planned again by the same planner in the same seconds, once as it stood and once for each
addition. A plan without the addition is a plan with it too, one that leaves it idle; so an addition is never worth
less than nothing, and what the search found without it counts where it found nothing better with it. How far two
searches of the same problem lie apart is told beside: savings below that say nothing.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from jobs.planning.out import PLACE_KINDS, SECOND_PERSON
from jobs.planning.problem import written
from jobs.planning.shifts import merged

Json = dict[str, Any]
Planner = Callable[..., Json]
SHIFT_DAY, SHIFT_START, SHIFT_LENGTH = 5, time(6), timedelta(hours=8)


@dataclass(frozen=True)
class Addition:
    """Something that could be added; `code` tells it apart in every problem, `words` say what it is."""

    code: str
    words: str
    apply: Callable[[Json], None]


def stripped(problem: Mapping[str, Any]) -> Json:
    """The problem made anew: nothing in it has to stay where it was but work in hand, and only lateness counts."""
    found: Json = copy.deepcopy(dict(problem))
    started = {
        operation["id"]
        for order in found["orders"]
        for operation in order["operations"]
        if operation.get("state") == "started"
    }
    held = {key: one for key, one in (found.pop("previous", None) or {}).items() if key in started}
    if held:
        found["previous"] = held
    found["weights"] = {"tardiness": 1.0}
    return found


def additions(problem: Mapping[str, Any], zone: ZoneInfo, names: Mapping[str, str]) -> list[Addition]:
    """What could be added to a problem: of each kind of place and instrument that is asked for one more, one more
    of each sort of person, and a shift more in the week."""
    wanted = {str(need.get("kind", "")) for need in _needs(problem)}
    found = []
    for kind in sorted({one["kind"] for one in problem["resources"]} & wanted - {"person"}):
        found.append(Addition(f"more-{kind}", f"one more {kind.replace('-', ' ')}", _another(kind)))
    for sort, second in (("technician", False), ("inspector", True)):
        like = _most_able(problem, second)
        if like is not None:
            words = f"one more {sort}, with the skills and shifts of {names.get(like, like)}"
            found.append(Addition(f"more-{sort}", words, _one_like(like)))
    if any(one["kind"] == "person" for one in problem["resources"]):
        words = "a shift on Saturdays from 06:00 to 14:00 for everybody with a rota"
        found.append(Addition("more-shift", words, lambda given: _more_shift(given, zone)))
    return found


def _needs(problem: Mapping[str, Any]) -> Iterable[Json]:
    for order in problem["orders"]:
        for operation in order["operations"]:
            yield from operation.get("needs", [])


def _another(kind: str) -> Callable[[Json], None]:
    """One more of a kind, there at every hour that the most open of its kind is, and due at no time."""

    def apply(problem: Json) -> None:
        same = [one for one in problem["resources"] if one["kind"] == kind]
        like = next((one for one in same if "calendar" not in one), same[0])
        kept = {name: value for name, value in like.items() if name not in ("usable_from", "usable_until")}
        if kind not in PLACE_KINDS:
            kept.pop("calendar", None)  # of an instrument it holds absences, which a new one has none of
        problem["resources"].append({**kept, "id": f"more-{kind}"})

    return apply


def _one_like(key: str) -> Callable[[Json], None]:
    def apply(problem: Json) -> None:
        like = next(one for one in problem["resources"] if one["id"] == key)
        problem["resources"].append({**like, "id": "more-person"})

    return apply


def _most_able(problem: Mapping[str, Any], second: bool) -> str | None:
    """The person whose skills of the sort are asked for in the most minutes; ties by id."""
    minutes: dict[str, int] = {}
    for order in problem["orders"]:
        for operation in order["operations"]:
            for need in operation.get("needs", []):
                skill = str(need.get("skill", ""))
                if skill and skill.endswith(SECOND_PERSON) == second:
                    minutes[skill] = minutes.get(skill, 0) + int(operation["minutes"]) + 1
    people = [one for one in problem["resources"] if one["kind"] == "person"]
    useful = {one["id"]: sum(minutes.get(skill, 0) for skill in one.get("skills", {})) for one in people}
    best = sorted((key for key in useful if useful[key]), key=lambda key: (-useful[key], key))
    return best[0] if best else None


def _more_shift(problem: Json, zone: ZoneInfo) -> None:
    """A shift on each Saturday of the horizon in the calendar of every person."""
    calendars = problem["calendars"]
    own = {one["calendar"] for one in problem["resources"] if one["kind"] == "person" and "calendar" in one}
    for name in own:
        spans = [(datetime.fromisoformat(start), datetime.fromisoformat(end)) for start, end in calendars[name]]
        if not spans:
            continue
        day, last = spans[0][0].astimezone(zone).date(), spans[-1][1].astimezone(zone).date()
        day += timedelta(days=(SHIFT_DAY - day.weekday()) % 7)
        while day <= last:
            start = datetime.combine(day, SHIFT_START, zone).astimezone(UTC)
            spans.append((start, start + SHIFT_LENGTH))
            day += timedelta(days=7)
        calendars[name] = [[written(start), written(end)] for start, end in merged(spans)]


# --- Weighing -----------------------------------------------------------------------------------------


def weighed(
    problem: Mapping[str, Any],
    zone: ZoneInfo,
    names: Mapping[str, str],
    *,
    seconds: float,
    planner: Planner,
    step: Callable[[str], None],
) -> Json:
    """One problem made again as it stood and with each addition; hours are weighted by the priority of the orders.

    `planner` is `analysis.schedule.plan.plan`; `step` is told what is looked at. Raises what the planner raises.
    """
    stated = stripped(problem)
    step("as it stood")
    first = planner(stated, seconds=seconds, seed=0)
    step("as it stood, looked for once more")
    again = planner(stated, seconds=seconds, seed=1)
    base = min(first, again, key=lambda plan: (len(plan["unscheduled"]), _hours(stated, plan)))
    rows = []
    for one in additions(stated, zone, names):
        step(f"with {one.words}")
        changed = copy.deepcopy(stated)
        one.apply(changed)
        gain = _gain(stated, base, planner(changed, seconds=seconds, seed=0))
        rows.append({"code": one.code, "words": one.words, **gain})
    return {
        "hours": round(_hours(stated, base), 3),
        "apart": round(abs(_hours(stated, first) - _hours(stated, again)), 3),
        "left_out": len(base["unscheduled"]),
        "orders": len(stated["orders"]),
        "additions": rows,
    }


def _gain(problem: Json, base: Json, found: Json) -> Json:
    """Hours saved over the orders that both plans hold, and orders that only the richer one holds."""
    both = set(base["orders"]) & set(found["orders"])
    more = len(set(found["orders"]) - set(base["orders"]))
    saved = _hours(problem, base, both) - _hours(problem, found, both)
    # An order that finds a place at all may cost the others hours, so these are told as they are.
    return {"saved": round(saved if more else max(0.0, saved), 3), "more_orders": more}


def _hours(problem: Mapping[str, Any], plan: Json, only: set[str] | None = None) -> float:
    """Weighted hours late of the orders of a plan."""
    weights = {order["id"]: float(order.get("weight", 1.0)) for order in problem["orders"]}
    return sum(
        weights[key] * float(entry["tardiness_minutes"]) / 60
        for key, entry in plan["orders"].items()
        if only is None or key in only
    )


def together(weeks: Sequence[Mapping[str, Any]]) -> list[Json]:
    """Each addition over all plans: hours saved, orders more, in how many plans it could be added; the best first."""
    found: dict[str, Json] = {}
    for week in weeks:
        for one in week.get("additions", []):
            held = found.setdefault(
                one["code"], {"code": one["code"], "words": one["words"], "saved": 0.0, "more_orders": 0, "plans": 0}
            )
            if held["words"] != one["words"]:  # in each plan like somebody else
                held["words"] = held["words"].split(",")[0]
            held["saved"] += one["saved"]
            held["more_orders"] += one["more_orders"]
            held["plans"] += 1
    return sorted(found.values(), key=lambda one: (-one["more_orders"], -one["saved"], one["code"]))
