"""The raw JSON of a plan as records, with what is wrong in its form; for the checker alone."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.schedule.check_reading import Json, Operation, Resource, Shop, Violation, by_need, flat, instant

STATUSES = ("optimal", "feasible", "infeasible", "none-yet")
SENTENCE_KEYS = ("sentence", "reason", "message", "why", "text")


@dataclass(slots=True)
class Placed:
    """An operation in its place; `parts` are the ids for each need, None when their number does not fit.

    `known` are those of its resources that the problem has.
    """

    operation: Operation
    start: int
    end: int
    resources: list[str]
    parts: list[list[str]] | None
    known: list[Resource]


@dataclass(slots=True)
class Findings:
    """The violations found so far."""

    found: list[Violation] = field(default_factory=list)

    def add(self, rule: str, message: str, *, operation: Operation | None = None, order: str | None = None,
            resource: str | None = None) -> None:
        """Note one violation; an operation brings its order."""
        if operation is None:
            self.found.append(Violation(rule, order, None, resource, message))
        else:
            self.found.append(Violation(rule, operation.order, operation.id, resource, message))


@dataclass(slots=True)
class Given:
    """A plan as read: what is booked, where done work stood, and which orders are left out."""

    status: str
    booked: dict[str, Placed]
    done: dict[str, Placed]
    left_out: set[str]
    raw: Json

    def place(self, operation: str) -> Placed | None:
        """Where an operation stands or stood."""
        return self.done.get(operation) or self.booked.get(operation)


def read_plan(shop: Shop, plan: Json, findings: Findings) -> Given:
    """The plan as records; what cannot be read is a violation and missing in what comes back."""
    status = plan.get("status")
    if status not in STATUSES:
        findings.add("status", f"The status {status!r} is none of {', '.join(STATUSES)}.")
    left_out = _left_out(shop, plan, findings)
    booked: dict[str, Placed] = {}
    done: dict[str, Placed] = {}
    bookings = plan.get("bookings") or {}
    if not isinstance(bookings, Mapping):
        findings.add("format", "The bookings are not an object of operations.")
        bookings = {}
    for name, raw in bookings.items():
        operation = shop.operations.get(name)
        if operation is None:
            findings.add("unknown", f"The plan books {name}, which is no operation of the problem.")
            continue
        try:
            place = _placed(shop, operation, raw)
        except (KeyError, TypeError, ValueError) as wrong:
            findings.add("format", f"The booking of {name} cannot be read: {wrong}.", operation=operation)
            continue
        (done if operation.state == "done" else booked)[name] = place
        if len(place.known) < len(place.resources):
            for resource in [one for one in place.resources if one not in shop.resources]:
                findings.add("unknown", f"{name} is booked on {resource}, which is no resource of the problem.",
                             operation=operation, resource=resource)
    for operation in shop.operations.values():
        if operation.state == "done" and operation.id not in done:
            fact = _fact(shop, operation)
            if fact is not None:
                done[operation.id] = fact
    return Given(str(status), booked, done, left_out, plan)


def _placed(shop: Shop, operation: Operation, raw: Any) -> Placed:
    resources = raw.get("resources") or []
    ids = flat(resources)
    known = [shop.resources[one] for one in ids if one in shop.resources]
    return Placed(operation, instant(raw["start"]), instant(raw["end"]), ids, by_need(operation.needs, resources),
                  known)


def _fact(shop: Shop, operation: Operation) -> Placed | None:
    """Where done work stood that the plan does not book, None when nobody says when."""
    before = shop.previous.get(operation.id)
    start = operation.started_at
    if start is None and before is not None:
        start = before.start
    if start is None:
        return None
    resources = before.resources if before is not None and before.resources is not None else None
    parts = None
    if resources is not None and before is not None and isinstance(before.raw, list):
        parts = by_need(operation.needs, before.raw)
    return Placed(operation, start, start + operation.seconds, resources or [], parts, [])


def _left_out(shop: Shop, plan: Json, findings: Findings) -> set[str]:
    """The orders left out; each must exist, stand once and have a reason."""
    raw = plan.get("unscheduled") or []
    entries = [(name, reason) for name, reason in raw.items()] if isinstance(raw, Mapping) else [
        (one.get("order", one.get("id")) if isinstance(one, Mapping) else one, one) for one in raw]
    left_out: set[str] = set()
    for name, reason in entries:
        if name not in shop.orders:
            findings.add("unscheduled", f"The plan leaves out {name!r}, which is no order of the problem.")
            continue
        if name in left_out:
            findings.add("unscheduled", f"Order {name} is left out twice.", order=name)
        left_out.add(name)
        if not (isinstance(reason, str) and reason.strip() and isinstance(raw, Mapping)) and not _says(reason):
            findings.add("unscheduled", f"Order {name} is left out without a reason.", order=name)
        _check_ids(shop, reason, "unscheduled", findings)
    return left_out


def check_conflicts(shop: Shop, given: Given, findings: Findings) -> None:
    """Every conflict names at least one id, all of them exist, and it has a sentence."""
    conflicts = given.raw.get("conflicts") or []
    if given.status == "infeasible" and not conflicts:
        findings.add("conflicts", "The plan says that the problem cannot be met and names no conflict.")
    for number, conflict in enumerate(conflicts, 1):
        if not _says(conflict):
            findings.add("conflicts", f"Conflict {number} has no sentence.")
        if not _check_ids(shop, conflict, "conflicts", findings):
            findings.add("conflicts", f"Conflict {number} names no order, operation, resource or skill.")


def _says(entry: object) -> bool:
    """Whether an entry, or something in it, has a sentence."""
    if isinstance(entry, Mapping):
        return any(isinstance(entry.get(key), str) and entry[key].strip() for key in SENTENCE_KEYS) or any(
            _says(part) for part in entry.values())
    return isinstance(entry, list) and any(_says(part) for part in entry)


def _check_ids(shop: Shop, entry: object, rule: str, findings: Findings) -> int:
    """Note each id in an entry that the problem does not have; gives the number of ids looked at."""
    known: dict[str, Callable[[str], bool]] = {
        "order": shop.orders.__contains__, "operation": shop.operations.__contains__,
        "pin": shop.operations.__contains__, "resource": shop.resources.__contains__,
        "skill": shop.skills.__contains__,
        "calendar": lambda name: name in shop.calendars or name in shop.resources,
        "id": lambda name: any(name in among for among in (
            shop.orders, shop.operations, shop.resources, shop.calendars, shop.skills)),
    }
    count = 0
    for key, name in _ids(entry, known):
        count += 1
        if not known[key](name):
            findings.add(rule, f"{name!r} stands as {key} under {rule}, and the problem has no such {key}.")
    return count


def _ids(entry: object, known: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """Pairs of key (in the singular) and id, at any depth."""
    if isinstance(entry, Mapping):
        for key, value in entry.items():
            single = str(key).removesuffix("s")
            if single in known:
                values = value if isinstance(value, list) else [value]
                yield from ((single, one) for one in values if isinstance(one, str))
            yield from _ids(value, known)
    elif isinstance(entry, list):
        for part in entry:
            yield from _ids(part, known)
