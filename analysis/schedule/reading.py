"""Reads one order. Whatever is wrong with it is a `Fault` that carries the order, the place and the facts concerned."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from analysis.schedule import values
from analysis.schedule.model import NEVER, Candidate, Fact, LeftOut, Need, Operation, Order, Resource
from analysis.schedule.values import Axis, ProblemRefused

STATES = ("planned", "started", "done")
NO_PIN: tuple[int | None, tuple[int, ...]] = None, ()
PLAIN = frozenset({str, int})


class Fault(Exception):
    """One order cannot be planned; the others can."""

    def __init__(self, left_out: LeftOut) -> None:
        super().__init__(left_out.reason)
        self.left_out = left_out


@dataclass
class Draft:
    """An order whose operations do not yet know each other's index; `after` holds ids and lags."""

    order: Order
    place: str
    operations: list[Operation] = field(default_factory=list)
    after: dict[str, list[tuple[str, int]]] = field(default_factory=dict)


class OrderReader:
    """Reads orders against the resources there are; `short` takes needs as well that too few can meet."""

    def __init__(self, axis: Axis, resources: list[Resource], now: int, *, short: bool = False) -> None:
        self.axis, self.resources, self.now, self.short = axis, resources, now, short
        self.index = {resource.id: resource.index for resource in resources}
        self.kinds = {resource.kind for resource in resources}
        self.skills = {skill for resource in resources for skill in resource.skills}
        self.groups: dict[tuple[object, ...], int] = {}
        self.taken: dict[str, str] = {}             # operation → its order, left out or not
        self.orders: set[str] = set()
        self.able: dict[tuple[object, ...], tuple[Candidate, ...]] = {}
        self.needs: dict[tuple[object, ...], Need] = {}     # by what asks for them
        self.kept: dict[tuple[object, ...], Need] = {}      # by order and what asks for them, where it keeps them

    def order(self, raw: object, place: str) -> Draft:
        """One order, or `Fault`."""
        name = place
        try:
            fields = values.mapping(raw, place)
            name = values.text(fields.get("id"), f"{place}.id")
            if name in self.orders:
                raise _fault(name, f"Order {name} is given twice.", f"{place}.id")
            self.orders.add(name)
            draft = Draft(self._head(fields, name, place), place)
            for index, entry in enumerate(values.listed(fields.get("operations"), f"{place}.operations")):
                self._operation(draft, entry, f"{place}.operations[{index}]")
            if not draft.operations:
                raise _fault(name, f"Order {name} has no operation.", f"{place}.operations")
        except ProblemRefused as refused:
            raise _fault(name, refused.message, refused.place, *_named(raw, refused.place)) from refused
        return draft

    def _head(self, fields: Mapping[str, object], name: str, place: str) -> Order:
        due, promise = fields.get("due"), fields.get("promise")
        weight = fields.get("weight")
        return Order(
            -1, name, self.axis.maybe(fields.get("release"), f"{place}.release", -NEVER),
            None if due is None else self.axis.at(due, f"{place}.due"),
            1.0 if weight is None else values.number(weight, f"{place}.weight"),
            None if promise is None else self.axis.at(promise, f"{place}.promise"))

    def _operation(self, draft: Draft, raw: object, place: str) -> None:
        fields = values.mapping(raw, place)
        name = values.text(fields.get("id"), f"{place}.id")
        if name in self.taken:
            raise _fault(draft.order.id, f"Operation {name} is given twice.", f"{place}.id", Fact("operation", name))
        self.taken[name] = draft.order.id
        draft.after[name] = [self._wait(entry, f"{place}.after[{index}]")
                             for index, entry in enumerate(values.listed(fields.get("after"), f"{place}.after"))]
        state = fields.get("state") or "planned"
        if state not in STATES:
            raise ProblemRefused(f"{place}.state is {state}; it may be {', '.join(STATES)}.", f"{place}.state")
        started = None if state == "planned" else self._started(fields, str(state), name, place)
        length = values.length(fields.get("minutes"), f"{place}.minutes")
        remaining = fields.get("remaining_minutes")
        needs = self._needs(draft, fields, name, place)
        may_pause, release = fields.get("may_pause"), fields.get("release_in_pause")
        pin = fields.get("pin")
        pin_start, pinned = NO_PIN if pin is None else self._pin(draft, pin, name, str(state), f"{place}.pin")
        draft.operations.append(Operation(
            -1, name, -1, length, (), needs, may_pause is not None and values.flag(may_pause, f"{place}.may_pause"),
            release is not None and values.flag(release, f"{place}.release_in_pause"), str(state), started,
            length if remaining is None else values.length(remaining, f"{place}.remaining_minutes"), pin_start, pinned))

    def _wait(self, raw: object, place: str) -> tuple[str, int]:
        if isinstance(raw, str):
            return values.text(raw, place), 0
        fields = values.mapping(raw, place)
        lag = fields.get("lag_minutes")
        return values.text(fields.get("id"), f"{place}.id"), (
            0 if lag is None else values.length(lag, f"{place}.lag_minutes"))

    def _started(self, fields: Mapping[str, object], state: str, name: str, place: str) -> int:
        if state == "done" and fields.get("started_at") is None:
            raise ProblemRefused(f"Operation {name} is done, but {place}.started_at is missing.", f"{place}.started_at")
        if fields.get("started_at") is None:
            return self.now
        started = self.axis.at(fields["started_at"], f"{place}.started_at")
        if started > self.now:
            raise ProblemRefused(f"Operation {name} is {state}, but starts after now.", f"{place}.started_at")
        return started

    def _pin(self, draft: Draft, raw: object, name: str, state: str, place: str) -> tuple[int | None, tuple[int, ...]]:
        fields = values.mapping(raw, place)
        facts = (Fact("operation", name), Fact("pin", name))
        start = None if fields.get("start") is None else self.axis.at(fields["start"], f"{place}.start")
        if start is not None and start < self.now and state == "planned":
            raise _fault(draft.order.id, f"Operation {name} is pinned to {fields['start']}, which is past.",
                         f"{place}.start", *facts)
        found: list[int] = []
        for resource in flat(fields.get("resources"), f"{place}.resources"):
            if resource not in self.index:
                raise _fault(draft.order.id, f"Operation {name} is pinned to {resource}, which does not exist.",
                             f"{place}.resources", *facts)
            if self.index[resource] not in found:
                found.append(self.index[resource])
        return start, tuple(found)

    def _needs(self, draft: Draft, fields: Mapping[str, object], name: str, place: str) -> tuple[Need, ...]:
        past = fields.get("state") in ("started", "done")
        found = []
        for index, entry in enumerate(values.listed(fields.get("needs"), f"{place}.needs")):
            words = _words(entry)
            need = None if words is None else self._asked_again(draft.order.id, words)
            found.append(need or self._need(draft, entry, name, f"{place}.needs[{index}]", past))
        return tuple(found)

    def _asked_again(self, order: str, words: tuple[object, ...]) -> Need | None:
        """The need that was read in the same words before, as most are; an order keeps one of its own."""
        need = self.needs.get(words)
        if need is None or need.group < 0:
            return need
        found = self.kept.get((order, words))
        if found is None:
            group = self._group(order, need.kind, need.any_of, need.skill)
            found = Need(need.kind, need.any_of, need.skill, need.count, need.amount, group, need.candidates)
            self.kept[order, words] = found
        return found

    def _group(self, order: str, kind: str | None, any_of: tuple[str, ...] | None, skill: str | None) -> int:
        """The number of what an order keeps."""
        key = (order, kind, None if any_of is None else tuple(sorted(any_of)), skill)
        return self.groups.setdefault(key, len(self.groups))

    def _need(self, draft: Draft, entry: object, name: str, place: str, past: bool) -> Need:
        """One need; of work that is done or in hand nothing is asked that may have changed since."""
        raw = values.mapping(entry, place)
        kind = None if raw.get("kind") is None else values.text(raw["kind"], f"{place}.kind")
        any_of = None if raw.get("any_of") is None else tuple(
            values.text(one, f"{place}.any_of") for one in values.listed(raw["any_of"], f"{place}.any_of"))
        skill = None if raw.get("skill") is None else values.text(raw["skill"], f"{place}.skill")
        if kind is None and any_of is None:
            raise ProblemRefused(f"{place} names neither a kind nor resources.", place)
        count = 1 if raw.get("count") is None else values.whole(raw["count"], f"{place}.count")
        amount = 1 if raw.get("amount") is None else values.whole(raw["amount"], f"{place}.amount", 0)
        hold = raw.get("hold") or "operation"
        if hold not in ("operation", "order"):
            raise ProblemRefused(f"{place}.hold may be operation or order.", f"{place}.hold")
        group = -1
        if hold == "order":
            group = self._group(draft.order.id, kind, any_of, skill)
        need = Need(kind, any_of, skill, count, amount, group, ())
        try:
            candidates = self._candidates(draft, need, name, place)
        except Fault:
            if not past and not self.short:
                raise
            candidates = tuple(able(self.resources, need)) if self.short else ()
        need = Need(kind, any_of, skill, count, amount, group, candidates)
        words = _words(raw)
        if not past and words is not None:
            self.needs[words] = need
            if group >= 0:
                self.kept[draft.order.id, words] = need
        return need

    def _candidates(self, draft: Draft, need: Need, name: str, place: str) -> tuple[Candidate, ...]:
        order, operation = draft.order.id, Fact("operation", name)
        if need.kind is not None and need.kind not in self.kinds:
            raise _fault(order, f"Operation {name} needs a {need.kind}, and there is none.", f"{place}.kind", operation)
        if need.skill is not None and need.skill not in self.skills:
            raise _fault(order, f"Operation {name} needs the skill {need.skill}, which nobody has.", f"{place}.skill",
                         operation, Fact("skill", need.skill))
        key = (need.kind, need.any_of, need.skill, need.amount)
        if key not in self.able:
            self.able[key] = tuple(able(self.resources, need))
        found = self.able[key]
        if len(found) < need.count:
            named = [Fact("skill", need.skill)] if need.skill else [Fact("resource", one) for one in need.any_of or ()]
            unknown = [one for one in need.any_of or () if one not in self.index]
            if unknown:
                raise _fault(order, f"Operation {name} needs {need.count} of {need.words()}; "
                                    f"{', '.join(unknown)} does not exist.", f"{place}.any_of", operation)
            much = f" with room for {need.amount}" if need.amount > 1 else ""
            raise _fault(order, f"Operation {name} needs {need.count} × {need.words()}{much}; there are {len(found)}.",
                         place, operation, *named)
        return found


def able(resources: Sequence[Resource], need: Need) -> Iterator[Candidate]:
    """Who of the resources can meet a need, and within which instants."""
    for resource in resources:
        if (need.kind in (None, resource.kind) and (need.any_of is None or resource.id in need.any_of)
                and need.amount <= resource.capacity and (need.skill is None or need.skill in resource.skills)):
            lo, hi = resource.usable
            if need.skill is not None:
                lo, hi = max(lo, resource.skills[need.skill][0]), min(hi, resource.skills[need.skill][1])
            yield Candidate(resource.index, lo, hi)


def _words(entry: object) -> tuple[object, ...] | None:
    """What asks for a need; None where equal words may not say the same: True is 1 to Python, and here it is no count.
    """
    if type(entry) is not dict:
        return None
    if PLAIN.issuperset(map(type, entry.values())):
        return tuple(entry.items())
    words = [(key, tuple(value) if type(value) is list else value) for key, value in entry.items()]
    flat_words = [one for _, value in words for one in (value if type(value) is tuple else (value,))]
    return tuple(words) if PLAIN.issuperset(map(type, flat_words)) else None


def flat(raw: object, place: str) -> list[str]:
    """Resource ids, nested by need or not."""
    found: list[str] = []
    for entry in values.listed(raw, place):
        found += [entry] if isinstance(entry, str) else flat(values.listed(entry, place), place)
    return found


def _fault(order: str, reason: str, place: str, *facts: Fact) -> Fault:
    return Fault(LeftOut(order, reason, (Fact("order", order), *facts), place))


def _named(raw: object, place: str) -> list[Fact]:
    """The operation whose field is at fault, when the place names one that has an id."""
    _, found, rest = place.partition(".operations[")
    operations = raw.get("operations") if found and isinstance(raw, Mapping) else None
    digits = rest.partition("]")[0]
    if isinstance(operations, list) and digits.isdigit() and int(digits) < len(operations):
        operation = operations[int(digits)]
        if isinstance(operation, Mapping) and isinstance(operation.get("id"), str):
            return [Fact("operation", operation["id"])]
    return []
