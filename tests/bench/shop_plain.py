"""The plainest plan: orders by release, each operation after all that its resources had before. Holds, and is poor.

It fills no gap, so it is no measure of a planner. It is there for what needs a plan that no planner has made: the tests
of these shops and of the checker's speed.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import combinations

from tests.bench.shop_trouble import instant
from tests.bench.shop_work import Json

QUARTER = 15 * 60
Spans = list[tuple[int, int]]


def plain_plan(problem: Json) -> Json:
    """A plan with bookings and unscheduled orders; its figures are left to who needs them."""
    planner = _Plain(problem)
    for order in sorted(problem["orders"], key=lambda one: (instant(one["release"]), one["id"])):
        planner.place(order)
    return {"status": "feasible", "bookings": planner.bookings,
            "unscheduled": [{"order": one, "reason": "No place for it."} for one in planner.left_out]}


def _text(seconds: int) -> str:
    return datetime.fromtimestamp(seconds, UTC).isoformat()


class _Plain:
    """Places order by order; `free` is when each resource has done all that it was given so far."""

    def __init__(self, problem: Json) -> None:
        self.bookings: Json = {}
        self.left_out: list[str] = []
        self.resources = {one["id"]: one for one in problem["resources"]}
        now = int(instant(problem["now"]).timestamp())
        self.free = dict.fromkeys(self.resources, now)
        self.spans: dict[str, Spans] = {
            name: [(int(instant(begin).timestamp()), int(instant(end).timestamp())) for begin, end in spans]
            for name, spans in problem["calendars"].items()}

    def place(self, order: Json) -> None:
        """Book the whole order or leave it out."""
        free, made, kept = dict(self.free), {}, {}
        release = int(instant(order["release"]).timestamp())
        for operation in order["operations"]:
            after = [release, *(int(instant(made[one["id"]]["end"]).timestamp()) + 60 * one["lag_minutes"]
                                for one in operation["after"])]
            found = self._earliest(operation, max(after), free, kept)
            if found is None:
                self.left_out.append(order["id"])
                return
            start, end, parts = found
            for need, ids in zip(operation["needs"], parts, strict=True):
                if need.get("hold") == "order":
                    kept[str(sorted(need.items(), key=str))] = ids
                for one in ids:
                    free[one] = max(free[one], end)
            made[operation["id"]] = {"start": _text(start), "end": _text(end), "resources": parts}
        self.free = free
        self.bookings |= made

    def _earliest(self, operation: Json, after: int, free: dict[str, int],
                  kept: dict[str, list[str]]) -> tuple[int, int, list[list[str]]] | None:
        best = None
        for parts in self._ways(operation["needs"], free, kept):
            ids = [one for part in parts for one in part]
            own = [one for part, need in zip(parts, operation["needs"], strict=True) for one in part
                   if str(sorted(need.items(), key=str)) not in kept]
            at = max([after, *(free[one] for one in own)])
            found = self._open(operation, at, ids)
            if found and self._fit(operation, parts, found[0], found[1]) and (best is None or found[1] < best[1]):
                best = (*found, parts)
        return best

    def _ways(self, needs: list[Json], free: dict[str, int], kept: dict[str, list[str]]) -> list[list[list[str]]]:
        """Ways to meet the needs: for each need the few that are free soonest, all different."""
        ways: list[list[list[str]]] = [[]]
        for need in needs:
            key = str(sorted(need.items(), key=str))
            fit = sorted((one for one, raw in self.resources.items() if need.get("kind") in (None, raw["kind"])
                          and one in need.get("any_of", (one,))
                          and need.get("skill") in (None, *raw.get("skills", ()))), key=lambda one: (free[one], one))
            among = [kept[key]] if key in kept else [list(part) for part in combinations(fit, need.get("count", 1))][:6]
            ways = [[*way, part] for way in ways for part in among if not {one for p in way for one in p} & set(part)]
        return ways

    def _fit(self, operation: Json, parts: list[list[str]], start: int, end: int) -> bool:
        for need, ids in zip(operation["needs"], parts, strict=True):
            for one in ids:
                raw = self.resources[one]
                if "usable_until" in raw and end > instant(raw["usable_until"]).timestamp():
                    return False
                begin, until = raw.get("skills", {}).get(need.get("skill"), (_text(start), _text(end)))
                if instant(begin).timestamp() > start or end > instant(until).timestamp():
                    return False
        return True

    def _open(self, operation: Json, at: int, ids: list[str]) -> tuple[int, int] | None:
        """Earliest start on the grid, and end, in the common working time of the resources; without using pauses."""
        length = 60 * operation["minutes"]
        calendars = [self.spans[self.resources[one]["calendar"]] for one in ids if "calendar" in self.resources[one]]
        moved = True
        while moved:
            moved = False
            at += -at % QUARTER
            for spans in calendars:
                begin = next((first for first, last in spans if at + length <= last and length <= last - first), None)
                if begin is None:
                    return None
                if begin > at:
                    at, moved = begin, True
        return at, at + length


def with_figures(problem: Json, plan: Json) -> Json:
    """The plan with orders, parts and objective of a problem that weighs tardiness alone and has no plan in force."""
    now = instant(problem["now"])
    left_out = {entry["order"] for entry in plan["unscheduled"]}
    orders, late = {}, 0.0
    for order in problem["orders"]:
        if order["id"] in left_out:
            continue
        places = [plan["bookings"][one["id"]] for one in order["operations"]]
        end = max(instant(place["end"]) for place in places)
        tardiness = _minutes_after(end, order["due"])
        orders[order["id"]] = {"start": min(instant(place["start"]) for place in places).isoformat(),
                               "end": end.isoformat(), "tardiness_minutes": tardiness,
                               "promise_moved_minutes": _minutes_after(end, order.get("promise", end.isoformat()))}
        late += order["weight"] * tardiness
    late *= problem["weights"]["tardiness"]
    if now.tzinfo is None or set(problem["weights"]) != {"tardiness"} or problem.get("previous"):
        raise ValueError("Only for problems fresh from `shop`.")
    parts = {"tardiness": late, "moved_promise": 0, "moved_start": 0, "changed_resource": 0, "makespan": 0}
    return {**plan, "orders": orders, "parts": parts, "objective": late, "bound": 0, "moved": [], "conflicts": [],
            "seconds": 0.0, "seed": 0, "solver": "plain"}


def _minutes_after(end: datetime, limit: str) -> float:
    return max(0.0, (end - instant(limit)) / timedelta(minutes=1))
