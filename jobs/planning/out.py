"""The plan in force as rows: one for each operation, with what it is, where, by whom, with what, from when to when."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any

from jobs.planning.models import Plan

SECOND_PERSON = ":second-person"
PLACE_KINDS = frozenset({"bay", "crane"})


@dataclass(frozen=True)
class Used:
    """A resource of a booking by its id in the problem; `kept` when the order keeps it from first to last."""

    id: str
    kind: str
    name: str
    kept: bool = False


@dataclass(frozen=True)
class Row:
    """One operation of the plan; `minutes` as planned, without the breaks it stretches over."""

    operation: str
    code: str
    title: str
    order: str
    unit: str
    start: datetime
    end: datetime
    minutes: int
    hold_point: bool
    may_pause: bool
    used: tuple[Used, ...]
    version: int | None = None

    def of(self, *kinds: str) -> list[Used]:
        return [one for one in self.used if one.kind in kinds]

    @property
    def places(self) -> list[Used]:
        return [one for one in self.used if one.kind in PLACE_KINDS]

    @property
    def people(self) -> list[Used]:
        return self.of("person")

    @property
    def instruments(self) -> list[Used]:
        return [one for one in self.used if one.kind not in PLACE_KINDS and one.kind != "person"]


def rows(plan: Plan) -> list[Row]:
    """The operations of a plan by start, those that the plan does not book left out."""
    kinds = {one["id"]: str(one["kind"]) for one in plan.problem["resources"]}
    found = []
    for order in plan.problem["orders"]:
        for operation in order["operations"]:
            booking = plan.plan["bookings"].get(operation["id"])
            if booking is not None:
                found.append(_row(plan, order["id"], operation, booking, kinds))
    return sorted(found, key=lambda row: (row.start, row.operation))


def _row(plan: Plan, order: str, operation: dict[str, Any], booking: dict[str, Any], kinds: dict[str, str]) -> Row:
    names = plan.names
    unit = names.get(order, order)
    key = operation["id"]
    title = str(names.get(key, key)).removesuffix(f" of {unit}")
    needs = operation.get("needs", [])
    return Row(
        key,
        key.rsplit("/", 1)[-1],
        title[:1].upper() + title[1:],
        order,
        unit,
        datetime.fromisoformat(booking["start"]),
        datetime.fromisoformat(booking["end"]),
        int(operation["minutes"]),
        any(str(need.get("skill", "")).endswith(SECOND_PERSON) for need in needs),
        bool(operation.get("may_pause")),
        tuple(_used(needs, _flat(booking["resources"]), names, kinds)),
        plan.version,
    )


def _flat(resources: Iterable[Any]) -> list[str]:
    """`resources` of a booking, which may be nested need by need."""
    return [one for given in resources for one in (given if isinstance(given, list) else [given])]


def _used(
    needs: list[dict[str, Any]], resources: list[str], names: dict[str, str], kinds: dict[str, str]
) -> Iterable[Used]:
    left = iter(resources)
    for need in needs:
        for one in islice(left, int(need.get("count", 1))):
            yield Used(one, kinds.get(one, ""), names.get(one, one), need.get("hold") == "order")
    for one in left:
        yield Used(one, kinds.get(one, ""), names.get(one, one))


@dataclass(frozen=True)
class Stay:
    """A resource taken from when to when: for one operation, or for an order that keeps it from first to last."""

    used: Used
    start: datetime
    end: datetime
    rows: tuple[Row, ...]

    @property
    def kept(self) -> bool:
        return self.used.kept


def stays(given: Iterable[Row]) -> list[Stay]:
    """How long each resource is taken; what an order keeps is taken through the nights between its operations too."""
    kept: dict[tuple[str, str], list[Row]] = {}
    found = []
    for row in given:
        for used in row.used:
            if used.kept:
                kept.setdefault((row.order, used.id), []).append(row)
            else:
                found.append(Stay(used, row.start, row.end, (row,)))
    for (_, key), own in kept.items():
        used = next(one for one in own[0].used if one.id == key)
        found.append(Stay(used, min(row.start for row in own), max(row.end for row in own), tuple(own)))
    return sorted(found, key=lambda stay: (stay.start, stay.used.id))
