"""A slow and obvious twin of the checker: goes through a problem and a plan minute by minute, with sets.

Only for small problems whose times are whole minutes. Gives pairs of rule and subject: an operation, a resource (for
`capacity` and `hold_point`), an order (for `hold`, `orders` and `unscheduled`) or None.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import combinations

ORIGIN = datetime(1970, 1, 1, tzinfo=UTC)
PARTS = ("tardiness", "moved_promise", "moved_start", "changed_resource", "makespan")


def minute(text):
    """Minutes since 1970."""
    return (datetime.fromisoformat(text) - ORIGIN) // timedelta(minutes=1)


def flat(resources):
    return [one for part in resources for one in (part if isinstance(part, list) else [part])]


def parted(operation, resources):
    """The ids for each need, or None. Only the flat form."""
    ids, parts = list(flat(resources)), []
    for need in operation.get("needs", []):
        parts.append([ids.pop(0) for _ in range(need.get("count", 1)) if ids])
    fits = not ids and [len(part) for part in parts] == [n.get("count", 1) for n in operation.get("needs", [])]
    return parts if fits else None


class Twin:
    def __init__(self, problem, plan):
        self.problem, self.plan = problem, plan
        self.now = minute(problem["now"])
        self.resources = {r["id"]: r for r in problem["resources"]}
        self.orders = {o["id"]: o for o in problem["orders"]}
        self.operations = {p["id"]: p for o in problem["orders"] for p in o["operations"]}
        self.order_of = {p["id"]: o["id"] for o in problem["orders"] for p in o["operations"]}
        self.previous = problem.get("previous") or {}
        self.left_out = {entry["order"] for entry in plan.get("unscheduled", [])}
        self.booked, self.done = {}, {}
        for name, b in plan["bookings"].items():
            place = (minute(b["start"]), minute(b["end"]), flat(b["resources"]))
            (self.done if self.state(name) == "done" else self.booked)[name] = place
        for name, p in self.operations.items():
            if self.state(name) == "done" and name not in self.done:
                start = minute(p["started_at"])
                self.done[name] = (start, start + p["minutes"], self.previous.get(name, {}).get("resources", []))
        self.places = {**self.booked, **self.done}
        self.found = set()

    def state(self, name):
        return self.operations[name].get("state", "planned")

    def spans(self, resource):
        calendar = self.resources[resource].get("calendar")
        if calendar is None:
            return None
        return [(minute(a), minute(b)) for a, b in self.problem["calendars"][calendar]]

    def works(self, resource, at):
        """Whether the resource works in the minute that begins at `at`."""
        spans = self.spans(resource)
        return spans is None or any(a <= at < b for a, b in spans)

    def all_work(self, resources, at):
        return all(self.works(one, at) for one in resources)

    def judge(self):
        for name in self.operations:
            if self.order_of[name] in self.left_out:
                if name in self.booked and self.state(name) == "planned":
                    self.found.add(("unscheduled", name))
            elif name not in self.booked and self.state(name) != "done":
                self.found.add(("completeness", name))
        for name in self.booked:
            if self.state(name) == "started":
                self.started(name)
            else:
                self.planned(name)
        for name, (start, end, _) in self.done.items():
            p = self.operations[name]
            if start != minute(p["started_at"]) or end - start != p["minutes"]:
                self.found.add(("done", name))
        self.loads()
        self.figures()
        return self.found

    def planned(self, name):
        p, (start, end, resources) = self.operations[name], self.booked[name]
        pin = p.get("pin") or {}
        wrong = {
            "grid": "start" not in pin and start % (24 * 60) % self.problem.get("grid_minutes", 15) != 0,
            "now": start < self.now,
            "release": start < minute(self.orders[self.order_of[name]]["release"]),
            "pin": ("start" in pin and minute(pin["start"]) != start)
            or any(one not in resources for one in pin.get("resources", [])),
            "usable": any(not self.usable(one, start, end) for one in resources),
        }
        for after in p.get("after", []):
            before, lag = (after, 0) if isinstance(after, str) else (after["id"], after.get("lag_minutes", 0))
            wrong["precedence"] = wrong.get("precedence", False) or (
                before not in self.places or start < self.places[before][1] + lag)
        parts = parted(p, resources)
        wrong["needs"] = parts is None or len(set(resources)) < len(resources)
        for need, ids in zip(p.get("needs", []), parts or [], strict=False):
            for one in ids:
                r = self.resources[one]
                wrong["needs"] |= "kind" in need and r["kind"] != need["kind"]
                wrong["needs"] |= "any_of" in need and one not in need["any_of"]
                if "skill" in need:
                    wrong["skill"] = wrong.get("skill", False) or not self.skilled(one, need["skill"], start, end)
        self.found |= {(rule, name) for rule, is_wrong in wrong.items() if is_wrong}
        self.length(name, start, end, resources, p)

    def length(self, name, start, end, resources, p):
        if p.get("may_pause") and p["minutes"] and end >= start:
            self.paused(name, start, end, p["minutes"])
            return
        if end - start != p["minutes"]:
            self.found.add(("duration", name))
        for one in resources:
            if start == end:
                is_open = self.works(one, start) or self.works(one, start - 1)
            elif end < start:
                is_open = None
            else:
                is_open = all(self.works(one, at) for at in range(start, end))
            if is_open is False:
                self.found.add(("calendar", name))

    def paused(self, name, start, end, minutes, strict_start=True):
        resources = self.booked[name][2]
        worked = [at for at in range(start, end) if self.all_work(resources, at)]
        if not worked or (strict_start and worked[0] != start) or worked[-1] != end - 1:
            self.found.add(("calendar", name))
        elif len(worked) != minutes:
            self.found.add(("duration", name))

    def started(self, name):
        p, (start, end, resources) = self.operations[name], self.booked[name]
        before = self.previous[name]
        if start != minute(before["start"]) or set(resources) != set(before["resources"]):
            self.found.add(("started", name))
        left = p["remaining_minutes"]
        if p.get("may_pause") and left and end > self.now:
            self.paused(name, self.now, end, left, strict_start=False)
        elif end != self.now + left:
            self.found.add(("started", name))

    def usable(self, one, start, end):
        r = self.resources[one]
        return (r.get("usable_from") is None or minute(r["usable_from"]) <= start) and (
            r.get("usable_until") is None or end <= minute(r["usable_until"]))

    def skilled(self, one, skill, start, end):
        validity = self.resources[one].get("skills", {}).get(skill)
        return validity is not None and minute(validity[0]) <= start and end <= minute(validity[1])

    def loads(self):
        """`takers`: resource -> list of (minutes taken, amount, moment of a hold point or None)."""
        takers = {one: [] for one in self.resources}
        groups = {}
        for name, (start, end, resources) in self.places.items():
            p = self.operations[name]
            parts = parted(p, resources)
            minutes = set(range(start, end))
            if p.get("may_pause") and p.get("release_in_pause"):
                minutes = {at for at in minutes if self.all_work(resources, at)}
            point = start if start == end else None
            if parts is None:
                if name in self.booked:
                    for one in resources:
                        takers[one].append((minutes, 1, point))
                continue
            for need, ids in zip(p.get("needs", []), parts, strict=True):
                if need.get("hold") == "order":
                    key = (self.order_of[name], need.get("kind"), need.get("skill"),
                           tuple(sorted(need["any_of"])) if "any_of" in need else None)
                    groups.setdefault(key, []).append((name, set(ids), need))
                elif name in self.booked:
                    for one in ids:
                        takers[one].append((minutes, need.get("amount", 1), point))
        for key, group in groups.items():
            self.keep(key[0], group, takers)
        for one, list_of in takers.items():
            self.over(one, list_of)

    def keep(self, order, group, takers):
        live = [(name, ids, need) for name, ids, need in group if name in self.booked]
        past = [(name, ids, need) for name, ids, need in group if name in self.done]
        if live:
            most = max(len(ids) for _, ids, _ in live)
            if not any(len(top) == most and all(ids <= top for _, ids, _ in live) for _, top, _ in live):
                self.found.add(("hold", order))
        for _, had, _ in past:
            for name, ids, need in live:
                start, end, _ = self.booked[name]
                fit = {one for one in had - ids if self.usable(one, start, end) and (
                    "skill" not in need or self.skilled(one, need["skill"], start, end))}
                if fit and len(had & ids) < min(len(had), len(ids)):
                    self.found.add(("hold", order))
        for one in set().union(*(ids for _, ids, _ in live)):
            users = [(name, need) for name, ids, need in group if one in ids]
            live_users = [(name, need) for name, need in users if name in self.booked]
            begin = min(self.places[name][0] for name, _ in users)
            end = max(self.places[name][1] for name, _ in live_users)
            amount = max(need.get("amount", 1) for _, need in live_users)
            takers[one].append((set(range(begin, end)), amount, begin if begin >= end else None))
            if self.resources[one]["kind"] == "person":
                self.one_place(one, [self.booked[name] for name, _ in live_users])

    def one_place(self, one, places):
        for (a, b, _), (c, d, _) in combinations(places, 2):
            if a < b and c < d and set(range(a, b)) & set(range(c, d)):
                self.found.add(("capacity", one))
            elif (a == b and c < a < d) or (c == d and a < c < b):
                self.found.add(("hold_point", one))

    def over(self, one, takers):
        capacity = self.resources[one].get("capacity", 1)
        every = set().union(*(minutes for minutes, _, _ in takers))
        for at in every:
            if sum(amount for minutes, amount, _ in takers if at in minutes) > capacity:
                self.found.add(("capacity", one))
        for _, amount, point in takers:
            if point is not None:
                beside = [a for minutes, a, _ in takers if point in minutes and point - 1 in minutes]
                if sum(beside) + amount > capacity:
                    self.found.add(("hold_point" if beside else "capacity", one))

    def figures(self):
        wanted = figures(self.problem, self.plan["bookings"], self.left_out)
        for name, figure in wanted["orders"].items():
            if not same(self.plan["orders"].get(name), figure):
                self.found.add(("orders", name))
        for name in self.plan["orders"]:
            if name not in self.orders or name in self.left_out:
                self.found.add(("orders", None))
        for part in PARTS:
            if abs(self.plan["parts"][part] - wanted["parts"][part]) > 1e-6:
                self.found.add(("parts", None))
        objective, bound = self.plan["objective"], self.plan["bound"]
        total = sum(wanted["parts"].values())
        if abs(objective - total) > 1e-6:
            self.found.add(("objective", None))
        if bound > total + 1e-6 or (self.plan["status"] == "optimal" and bound < total - 1e-6):
            self.found.add(("bound", None))
        moved = [entry["operation"] for entry in self.plan["moved"]]
        expected = {entry["operation"] for entry in wanted["moved"]}
        self.found |= {("moved", name) for name in expected ^ set(moved)}
        self.found |= {("moved", name) for name in moved if moved.count(name) > 1}


def same(given, wanted):
    return given is not None and all(
        minute(given[key]) == minute(value) if key in ("start", "end") else given[key] == value
        for key, value in wanted.items())


def figures(problem, bookings, left_out=frozenset()):
    """The figures that a plan with these bookings must have: orders, parts, objective, moved."""
    now, weights, previous = minute(problem["now"]), problem.get("weights", {}), problem.get("previous") or {}
    orders, amounts, ends, moved = {}, dict.fromkeys(PARTS, 0), [now], []
    for order in problem["orders"]:
        if order["id"] in left_out:
            continue
        places = []
        for p in order["operations"]:
            if p["id"] in bookings:
                places.append((minute(bookings[p["id"]]["start"]), minute(bookings[p["id"]]["end"])))
            elif p.get("state") == "done":
                places.append((minute(p["started_at"]), minute(p["started_at"]) + p["minutes"]))
        if not places:
            continue
        start, end = min(a for a, _ in places), max(b for _, b in places)
        late = max(0, end - minute(order["due"]))
        promise = max(0, end - minute(order["promise"])) if "promise" in order else 0
        orders[order["id"]] = {"start": written(start), "end": written(end), "tardiness_minutes": late,
                               "promise_moved_minutes": promise}
        amounts["tardiness"] += order.get("weight", 1) * late
        amounts["moved_promise"] += promise
        ends.append(end)
        for p in order["operations"]:
            if p["id"] in bookings and p["id"] in previous and p.get("state", "planned") == "planned":
                place, before = bookings[p["id"]], previous[p["id"]]
                start_moved = minute(place["start"]) != minute(before["start"])
                set_changed = set(flat(place["resources"])) != set(flat(before["resources"]))
                amounts["moved_start"] += start_moved
                amounts["changed_resource"] += set_changed
                if start_moved or set_changed:
                    moved.append({"operation": p["id"], "reason": "resource" if set_changed else "start"})
    amounts["makespan"] = max(ends) - now
    parts = {name: weights.get(name, 0) * amount for name, amount in amounts.items()}
    return {"orders": orders, "parts": parts, "objective": sum(parts.values()), "moved": moved}


def written(minutes):
    return (ORIGIN + timedelta(minutes=minutes)).isoformat()


def whole_plan(problem, bookings, left_out=()):
    """A plan in the shape of the contract with these bookings and the figures that belong to them."""
    return {"status": "feasible", "bookings": bookings, **figures(problem, bookings, set(left_out)), "bound": 0,
            "conflicts": [], "unscheduled": [{"order": one, "reason": "No place for it."} for one in left_out],
            "seconds": 0.0, "seed": 0, "solver": "by hand"}
