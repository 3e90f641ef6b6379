"""From the facts of a shop to the planning problem of the contract, the words for its ids, and a mark for each fact.

Ids are what lasts: the order's number, `BY-2026-0004/as-found` for its operation, `person-12`, `place-3`, an
instrument's own number. A plan made today is read against them years later, whatever somebody is called then.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from jobs.people.models import Role
from jobs.planning import shifts
from jobs.planning.gathering import OrderFacts, PersonFacts, PlaceFacts, ShopFacts
from jobs.planning.operations import Operation, fitted_kinds

Json = dict[str, Any]
GRID_MINUTES = 15
WEIGHT = {1: 9.0, 2: 3.0, 3: 1.0}  # an hour of an urgent order is worth nine of a routine one
URGENT = 1
SECOND_PERSON = ":second-person"  # what the skill of an inspector ends with
LOOK_BACK = timedelta(days=3)
WEEKS_AHEAD = 10
PLAN_WEIGHTS = {"tardiness": 1.0, "moved_promise": 4.0, "moved_start": 0.0, "changed_resource": 0.0, "makespan": 0.0}


@dataclass(frozen=True)
class Stated:
    """A problem, what its ids are called, and a short digest of every fact it stands on, by the fact's words."""

    problem: Json
    names: dict[str, str]
    marks: dict[str, str]


def person_id(pk: int) -> str:
    return f"person-{pk}"


def place_id(pk: int) -> str:
    return f"place-{pk}"


def operation_id(number: str, code: str) -> str:
    return f"{number}/{code}"


def skill_key(skill: str, *, second_person: bool) -> str:
    """A skill as somebody may use it: for a hold point it must be an inspector's."""
    return f"{skill}{SECOND_PERSON}" if second_person else skill


def state(facts: ShopFacts, *, now: datetime, skill_titles: Mapping[str, str]) -> Stated:
    """The problem of a shop at an instant. `previous` is the plan in force, with work in hand where it really is."""
    return Statement(facts, now, skill_titles).made()


class Statement:
    """Builds one problem."""

    def __init__(self, facts: ShopFacts, now: datetime, skill_titles: Mapping[str, str]) -> None:
        self.facts, self.now = facts, now
        self.zone: ZoneInfo = facts.shop.zone
        self.begin = (now - LOOK_BACK).astimezone(self.zone).date()
        self.end = self._end()
        self.calendars: dict[str, list[list[str]]] = {}
        self.names = dict(skill_titles)
        self.names |= {f"{skill}{SECOND_PERSON}": f"{title}, as an inspector" for skill, title in skill_titles.items()}
        self.places = {place.name: place for place in facts.places}

    def made(self) -> Stated:
        resources = [
            *(self._place(one) for one in self.facts.places),
            *(found for one in self.facts.people if (found := self._person(one)) is not None),
            *(self._instrument(one.number, one.kind, one.due_on, one.gaps) for one in self.facts.instruments),
        ]
        orders = [self._order(one) for one in self.facts.orders if not one.held and one.operations]
        known = {operation["id"] for order in orders for operation in order["operations"]}
        previous = {
            operation: {"start": booking["start"], "resources": booking["resources"]}
            for operation, booking in self.facts.bookings.items()
            if operation in known
        }
        for one in self.facts.orders:
            previous |= self._in_hand(one, previous)
        problem: Json = {
            "now": written(self.now),
            "grid_minutes": GRID_MINUTES,
            "calendars": self.calendars,
            "resources": resources,
            "orders": orders,
            "weights": dict(PLAN_WEIGHTS),
        }
        if previous:
            problem["previous"] = previous
        return Stated(problem, self.names, self._marks())

    def _end(self) -> date:
        """As far as shifts are laid out: well past the last order's due time."""
        last = max([self.now, *(one.needed_by for one in self.facts.orders if one.needed_by is not None)])
        last = min(last, self.now + timedelta(weeks=52))
        open_orders = len(self.facts.orders)
        return (last + timedelta(weeks=WEEKS_AHEAD + open_orders // 20)).astimezone(self.zone).date()

    # --- Resources ------------------------------------------------------------------------------------

    def _day(self, day: date) -> datetime:
        """The beginning of a day of the shop."""
        return datetime.combine(day, time(), self.zone).astimezone(UTC)

    def _calendar(self, key: str, spans: Iterable[shifts.Span], gaps: Iterable[shifts.Span | Any]) -> str:
        left = shifts.without(spans, gaps)
        self.calendars[key] = [[written(start), written(end)] for start, end in left]
        return key

    def _always(self) -> list[shifts.Span]:
        return [(self._day(self.begin), self._day(self.end))]

    def _place(self, place: PlaceFacts) -> Json:
        key = place_id(place.pk)
        self.names[key] = place.name
        found: Json = {"id": key, "kind": place.kind}
        since, until = place.usable
        if since is not None:
            found["usable_from"] = written(self._day(since))
        if until is not None:
            found["usable_until"] = written(self._day(until + timedelta(days=1)))
        gaps = [*place.gaps, *self._blocked(place)]
        if place.worked is not None:
            found["calendar"] = self._calendar(key, self._spans([place.worked]), gaps)
        elif gaps:
            found["calendar"] = self._calendar(key, self._always(), gaps)
        return found

    def _blocked(self, place: PlaceFacts) -> list[tuple[datetime, None]]:
        """A held order in work keeps its bay until it goes on."""
        keeps = [one for one in self.facts.orders if one.held and one.started_at and one.bay == place.name]
        return [(self.now - LOOK_BACK, None) for _ in keeps[:1]]

    def _spans(self, worked: Iterable[shifts.Worked]) -> list[shifts.Span]:
        return shifts.merged(
            span
            for one in worked
            for span in shifts.spans(
                one, begin=self.begin, end=self.end, without=self.facts.holidays, zone=self.zone
            )
        )

    def _person(self, person: PersonFacts) -> Json | None:
        """A person with a rota; without one nobody knows when they are there, so they are not planned with."""
        if not person.worked:
            return None
        key = person_id(person.pk)
        self.names[key] = person.name
        skills: dict[str, list[str]] = {}
        for second, role in ((False, Role.TECHNICIAN), (True, Role.INSPECTOR)):
            held = [(since, until) for name, since, until in person.roles if name == role]
            for code in dict.fromkeys(code for code, _, _ in person.skills):
                window = self._window(held, [(s, u) for name, s, u in person.skills if name == code])
                if window is not None:
                    skills[skill_key(code, second_person=second)] = window
        if not skills:
            return None
        calendar = self._calendar(key, self._spans(person.worked), person.gaps)
        return {"id": key, "kind": "person", "calendar": calendar, "skills": skills}

    def _window(
        self, roles: list[tuple[date, date | None]], held: list[tuple[date, date | None]]
    ) -> list[str] | None:
        """The first stretch of days from today on in which both hold, stretches that touch taken together."""
        both = []
        for role_since, role_until in roles:
            for since, until in held:
                first = max(role_since, since)
                last = min(role_until or self.end, until or self.end, self.end)
                if first <= last:
                    both.append((self._day(first), self._day(last + timedelta(days=1))))
        coming = [span for span in shifts.merged(both) if span[1] > self.now]
        return [written(coming[0][0]), written(coming[0][1])] if coming else None

    def _instrument(self, number: str, kind: str, due_on: date, gaps: Iterable[Any]) -> Json:
        found: Json = {
            "id": number, "kind": kind, "usable_until": written(self._day(due_on + timedelta(days=1)))
        }  # fmt: skip
        away = list(gaps)
        if away:
            found["calendar"] = self._calendar(number, self._always(), away)
        return found

    # --- Orders ---------------------------------------------------------------------------------------

    def _order(self, order: OrderFacts) -> Json:
        several = sum(one.unit == order.unit for one in self.facts.orders) > 1
        self.names[order.number] = f"{order.unit} ({order.number})" if several else order.unit
        fitted = fitted_kinds(order.operations)
        made, before = [], ""
        for operation in order.operations:
            found = self._operation(order, operation, fitted)
            found["after"] = [before] if before else []
            made.append(found)
            before = found["id"]
        due = order.needed_by or order.promised_at
        entry: Json = {
            "id": order.number,
            "release": written(min(order.requested_at, self.now)),
            "weight": WEIGHT.get(order.priority, 1.0),
            "operations": made,
        }
        if due is not None:
            entry["due"] = written(due)
        elif order.priority == URGENT:
            # Nobody said when, and an order without a date costs nothing however late: it would come last of all.
            entry |= {"due": entry["release"], "undated": True}
        if order.promised_at is not None:
            entry["promise"] = written(order.promised_at)
        return entry

    def _operation(self, order: OrderFacts, operation: Operation, fitted: frozenset[str]) -> Json:
        key = operation_id(order.number, operation.code)
        self.names[key] = f"{operation.title.lower()} of {self.names[order.number]}"
        stated = order.facts.get(operation.code)
        minutes = stated.minutes if stated is not None and stated.minutes is not None else operation.minutes
        needs: list[Json] = [
            {"kind": "bay", "hold": "order"},
            {"kind": "person", "skill": skill_key(operation.skill, second_person=operation.second_person)},
            *(
                {"kind": kind, "hold": "order"} if kind in fitted else {"kind": kind}
                for kind in operation.instrument_kinds
            ),
            *([{"kind": "crane"}] if operation.crane else []),
        ]
        found: Json = {"id": key, "minutes": minutes, "needs": needs}
        if operation.may_pause:
            found["may_pause"] = True
        if operation.state == "done":
            assert operation.started_at is not None
            assert operation.ended_at is not None
            lasted = max(1, round((operation.ended_at - operation.started_at).total_seconds() / 60))
            started = min(operation.ended_at, self.now) - timedelta(minutes=lasted)
            found |= {"state": "done", "started_at": written(started), "minutes": lasted}
        elif operation.state == "started":
            assert operation.started_at is not None
            started = min(operation.started_at, self.now)
            found |= {"state": "started", "started_at": written(started),
                      "remaining_minutes": self._remaining(order, operation, minutes)}  # fmt: skip
        elif stated is not None and stated.pinned:
            found["pin"] = {
                **({"start": written(stated.pin_start)} if stated.pin_start is not None else {}),
                **({"resources": list(stated.pin_resources)} if stated.pin_resources else {}),
            }
        return found

    def _remaining(self, order: OrderFacts, operation: Operation, minutes: int) -> int:
        """What is left of work in hand: as stated last and the clock since then, else as planned; at least the grid."""
        stated = order.facts.get(operation.code)
        if stated is not None and stated.remaining_minutes is not None and stated.remaining_seen_at is not None:
            left = stated.remaining_minutes - (self.now - stated.remaining_seen_at).total_seconds() / 60
        else:
            assert operation.started_at is not None
            left = minutes - (self.now - operation.started_at).total_seconds() / 60
        return max(GRID_MINUTES, round(left))

    def _in_hand(self, order: OrderFacts, previous: Mapping[str, Json]) -> Json:
        """Where work in hand really is, in the bay of the order and with the person named there."""
        found: Json = {}
        for operation in order.operations:
            key = operation_id(order.number, operation.code)
            if order.held or operation.state != "started" or operation.started_at is None:
                continue
            start = written(min(operation.started_at, self.now))
            if key in previous:
                found[key] = {**previous[key], "start": start}
                continue
            who = order.inspector if operation.second_person else order.technician
            bay = self.places.get(order.bay)
            if bay is None or who is None:
                continue
            with_it = [place_id(bay.pk), person_id(who)]
            for kind in operation.instrument_kinds:
                with_it += [one.number for one in self.facts.instruments if one.kind == kind][:1]
            if operation.crane:
                with_it += [place_id(one.pk) for one in self.facts.places if one.kind == "crane"][:1]
            found[key] = {"start": start, "resources": with_it}
        return found

    # --- Marks ----------------------------------------------------------------------------------------

    def _marks(self) -> dict[str, str]:
        """A short digest of each fact, so that what has changed can be named."""
        facts = self.facts
        found: dict[str, Any] = {"the plan on the board": facts.board}
        found["the days without shifts"] = sorted(facts.holidays)
        for person in facts.people:
            own = (person.skills, person.roles, person.worked, person.gaps)
            found[person.name] = self._beside(found, person.name, own)
        for place in facts.places:
            found[place.name] = self._beside(found, place.name, (place.kind, place.worked, place.usable, place.gaps))
        for instrument in facts.instruments:
            found[instrument.number] = (instrument.kind, instrument.due_on, instrument.gaps)
        for order in facts.orders:
            found[self.names.get(order.number, order.unit)] = (
                order.state, order.held_reason, order.priority, order.needed_by, order.promised_at, order.bay,
                [(one.code, one.minutes, one.state, one.skill, one.instrument_kinds, one.crane)
                 for one in order.operations],
                sorted(
                    (code, one.minutes, one.remaining_minutes, one.pin_start, one.pin_resources)
                    for code, one in order.facts.items()
                    # A pin or a length taken back leaves a row that says nothing: it is as if it had never been.
                    if one.minutes is not None or one.remaining_minutes is not None or one.pinned
                ),
            )  # fmt: skip
        return {name: hashlib.sha256(repr(value).encode()).hexdigest()[:16] for name, value in found.items()}

    @staticmethod
    def _beside(found: Mapping[str, Any], name: str, value: Any) -> Any:
        """Two may be called the same; their facts then stand under one name together."""
        return (*found[name], value) if name in found else (value,)


def undated(problem: Mapping[str, Any]) -> frozenset[str]:
    """Orders that are wanted as soon as may be and have no date: for the planner they have one, for readers none."""
    return frozenset(one["id"] for one in problem["orders"] if one.get("undated"))


def ends(bookings: Mapping[str, Mapping[str, Any]]) -> dict[str, str]:
    """The end of each order in bookings, by its number."""
    found: dict[str, str] = {}
    for operation, booking in bookings.items():
        order = operation.partition("/")[0]
        if order not in found or datetime.fromisoformat(booking["end"]) > datetime.fromisoformat(found[order]):
            found[order] = booking["end"]
    return found


def changed(before: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """The facts that are not as they were, by their words, in order."""
    return sorted(name for name in before.keys() | now.keys() if before.get(name) != now.get(name))


def written(at: datetime) -> str:
    """RFC 3339 in UTC, to the minute: nobody plans a shop to the second."""
    return at.astimezone(UTC).replace(second=0, microsecond=0).isoformat().replace("+00:00", "Z")
