"""Reads a planning problem. What concerns one order leaves that order out; what concerns all refuses the problem.

`read` raises `ProblemRefused` with the place. An order that cannot be read (a cycle, an unknown skill, negative
minutes) lands in `Problem.left_out` with a sentence and the facts concerned, and so do the orders that wait for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, time
from graphlib import CycleError, TopologicalSorter

from analysis.schedule import values
from analysis.schedule.calendars import merged
from analysis.schedule.model import NEVER, WEIGHTS, Fact, LeftOut, Problem, Resource, Spans
from analysis.schedule.reading import Draft, Fault, OrderReader, flat
from analysis.schedule.values import Axis, ProblemRefused


def read(raw: object, *, short: bool = False) -> Problem:
    """The problem with every order that can be read; `short` keeps those as well whose needs too few can meet."""
    top = values.mapping(raw, "")
    now = values.instant(top.get("now"), "now").astimezone(UTC)
    base = datetime.combine(now.date(), time(), UTC)
    axis = Axis(base)
    grid = values.length(top.get("grid_minutes", 15), "grid_minutes")
    if grid == 0:
        raise ProblemRefused("grid_minutes must be more than 0.", "grid_minutes")
    names, calendars = _calendars(top.get("calendars"), axis)
    resources = _resources(top.get("resources"), axis, names)
    problem = Problem(base, axis.at(top["now"], "now"), grid, calendars, names, resources, [], [], {},
                      _weights(top.get("weights")), [])
    _orders(problem, axis, values.listed(top.get("orders"), "orders"), short)
    _previous(problem, axis, top.get("previous"))
    return problem


def _calendars(raw: object, axis: Axis) -> tuple[list[str], list[Spans]]:
    names, calendars = [], []
    for name, spans in values.mapping(raw or {}, "calendars").items():
        place = f"calendars.{name}"
        read_spans = []
        for index, span in enumerate(values.listed(spans, place)):
            read_spans.append(_span(span, axis, f"{place}[{index}]"))
        names.append(name)
        calendars.append(merged(read_spans))
    return names, calendars


def _span(raw: object, axis: Axis, place: str) -> tuple[int, int]:
    ends = values.listed(raw, place)
    if len(ends) != 2:
        raise ProblemRefused(f"{place} must be a pair of instants.", place)
    start, end = (axis.at(end, f"{place}[{index}]") for index, end in enumerate(ends))
    if end <= start:
        raise ProblemRefused(f"{place} does not end after it starts.", place)
    return start, end


def _resources(raw: object, axis: Axis, calendars: list[str]) -> list[Resource]:
    found: list[Resource] = []
    seen: set[str] = set()
    for index, entry in enumerate(values.listed(raw, "resources")):
        place = f"resources[{index}]"
        fields = values.mapping(entry, place)
        name = values.text(fields.get("id"), f"{place}.id")
        if name in seen:
            raise ProblemRefused(f"Resource {name} is given twice.", f"{place}.id")
        seen.add(name)
        calendar = fields.get("calendar")
        if calendar is not None and calendar not in calendars:
            raise ProblemRefused(f"Resource {name} has the unknown calendar {calendar}.", f"{place}.calendar")
        usable = (axis.maybe(fields.get("usable_from"), f"{place}.usable_from", -NEVER),
                  axis.maybe(fields.get("usable_until"), f"{place}.usable_until", NEVER))
        capacity = fields.get("capacity")
        found.append(Resource(
            index, name, values.text(fields.get("kind"), f"{place}.kind"),
            None if calendar is None else calendars.index(str(calendar)),
            _skills(fields.get("skills"), axis, f"{place}.skills"), usable,
            1 if capacity is None else values.whole(capacity, f"{place}.capacity")))
    return found


def _skills(raw: object, axis: Axis, place: str) -> dict[str, tuple[int, int]]:
    """Name to validity; a missing end is open, and a plain list of names holds for ever."""
    if isinstance(raw, list):
        return {values.text(name, place): (-NEVER, NEVER) for name in raw}
    found = {}
    for name, validity in values.mapping(raw or {}, place).items():
        ends = values.listed(validity, f"{place}.{name}") or (None, None)
        if len(ends) != 2:
            raise ProblemRefused(f"{place}.{name} must be a pair of instants.", f"{place}.{name}")
        found[name] = (axis.maybe(ends[0], f"{place}.{name}[0]", -NEVER), axis.maybe(ends[1], f"{place}.{name}[1]",
                                                                                     NEVER))
    return found


def _weights(raw: object) -> dict[str, float]:
    given = values.mapping(raw or {}, "weights")
    for name in given:
        if name not in WEIGHTS:
            raise ProblemRefused(f"weights.{name} is not known.", f"weights.{name}")
    return {name: values.number(given.get(name, 0), f"weights.{name}") for name in WEIGHTS}


def _orders(problem: Problem, axis: Axis, raw: object, short: bool) -> None:
    """Reads each order, then leaves out those that wait for what is not there or for each other in a circle."""
    reader = OrderReader(axis, problem.resources, problem.now, short=short)
    drafts: list[Draft] = []
    for index, entry in enumerate(values.listed(raw, "orders")):
        try:
            drafts.append(reader.order(entry, f"orders[{index}]"))
        except Fault as fault:
            problem.left_out.append(fault.left_out)
    while not _in_line(drafts) and (faults := _missing(drafts, reader.taken) or _circle(drafts)):
        problem.left_out += faults
        out = {fault.order for fault in faults}
        drafts = [draft for draft in drafts if draft.order.id not in out]
    indices = {name: index for index, name in enumerate(name for draft in drafts for name in draft.after)}
    for draft in drafts:
        _add(problem, draft, indices)


def _in_line(drafts: list[Draft]) -> bool:
    """Whether operations wait for none but those read before them, as they mostly do: then nothing is amiss."""
    known = set[str]()
    for draft in drafts:
        for name, waits in draft.after.items():
            for before, _ in waits:
                if before not in known:
                    return False
            known.add(name)
    return True


def _missing(drafts: list[Draft], taken: Mapping[str, str]) -> list[LeftOut]:
    """The orders with an operation that waits for one that is not there."""
    known = {name for draft in drafts for name in draft.after}
    found: dict[str, LeftOut] = {}
    for draft in drafts:
        for operation, waits in draft.after.items():
            for name in (name for name, _ in waits if name not in known):
                facts = [Fact("order", draft.order.id), Fact("operation", operation)]
                facts += [Fact("operation", name)] if name in taken else []
                why = f"of order {taken[name]}, which is left out" if name in taken else "which does not exist"
                found.setdefault(draft.order.id, LeftOut(
                    draft.order.id, f"Operation {operation} waits for {name}, {why}.".replace(", of", " of"),
                    tuple(facts), f"{draft.place}.operations.{operation}.after"))
    return list(found.values())


def _circle(drafts: list[Draft]) -> list[LeftOut]:
    """The orders of one circle of operations that wait for each other."""
    graph = {name: [before for before, _ in waits] for draft in drafts for name, waits in draft.after.items()}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as cycle:
        ring = list(dict.fromkeys(cycle.args[1]))
        words = "Operations wait for each other in a circle: " + ", ".join([*ring, ring[0]]) + "."
        facts = tuple(Fact("operation", name) for name in ring)
        return [LeftOut(draft.order.id, words, (Fact("order", draft.order.id), *facts), draft.place)
                for draft in drafts if any(name in draft.after for name in ring)]
    return []


def _add(problem: Problem, draft: Draft, indices: Mapping[str, int]) -> None:
    order = draft.order
    order.index = len(problem.orders)
    problem.orders.append(order)
    for operation in draft.operations:
        operation.index, operation.order = len(problem.operations), order.index
        operation.after = tuple((indices[name], lag) for name, lag in draft.after[operation.id])
        order.operations.append(operation.index)
        problem.operations.append(operation)


def _previous(problem: Problem, axis: Axis, raw: object) -> None:
    """The plan in force; what it says of operations and resources that no longer exist is passed over."""
    operations = {operation.id: operation.index for operation in problem.operations}
    resources = {resource.id: resource.index for resource in problem.resources}
    for name, entry in values.mapping(raw or {}, "previous").items():
        fields = values.mapping(entry, f"previous.{name}")
        start = axis.at(fields.get("start"), f"previous.{name}.start")
        named = flat(fields.get("resources"), f"previous.{name}.resources")
        if name in operations:
            problem.previous[operations[name]] = start, None if fields.get("resources") is None else tuple(
                resources.get(one, -1) for one in named)
