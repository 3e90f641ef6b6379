"""What an operation clashes with where it stands on the board, and what becomes of its order, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from jobs.planning.problem import SECOND_PERSON
from jobs.planning.rules.plans import SLACK
from jobs.planning.wording import length, moment

if TYPE_CHECKING:
    from jobs.planning.board import Board, Stands, Work

Json = dict[str, Any]
Spans = list[tuple[datetime, datetime]]


class Judge:
    """Holds bookings, as they would stand, against the board's problem."""

    def __init__(self, board: Board, standing: Mapping[str, Stands]) -> None:
        self.board, self.standing = board, standing
        self._uses: dict[str, list[tuple[str, datetime, datetime, str]]] | None = None

    def clashes(self, key: str) -> list[str]:
        """Everything that an operation clashes with where it stands, a sentence each."""
        work, stands = self.board.work[key], self.standing[key]
        name = self.board.called(key)
        if work.state == "started":
            return [f"{_first(name)} is in hand and stays where it is."] if stands != self.board.stands.get(key) else []
        found: list[str] = []
        lies_there = stands == self.board.stands.get(key)  # then it may still begin, as with a plan just accepted
        if stands.start < (self.board.now - SLACK if lies_there else self.board.now):
            found.append(f"{_first(name)} would start {self._at(stands.start)}, which is over.")
        found += self._against_order(work, stands)
        for need, resource in zip(_slots(work.needs), stands.resources, strict=False):
            found += self._against_fitness(work, stands, need, resource)
            found += self._against_others(work, need, resource)
        return found

    def _at(self, at: datetime) -> str:
        return moment(at, self.board.zone)

    def _against_order(self, work: Work, stands: Stands) -> list[str]:
        found = []
        before = self.standing.get(work.before) if work.before else None
        if before is not None and before.end > stands.start:
            name = _first(self.board.called(str(work.before)))
            found.append(f"{name}, which comes before, ends {self._at(before.end)}.")
        after = self.standing.get(work.after) if work.after else None
        if after is not None and after.start < stands.end:
            name = _first(self.board.called(str(work.after)))
            found.append(f"{name}, which comes after, starts {self._at(after.start)}.")
        pin = work.pin.get("start")
        if pin and datetime.fromisoformat(pin) != stands.start:
            found.append(f"{_first(self.board.called(work.id))} is pinned to {self._at(datetime.fromisoformat(pin))}.")
        return found

    def _unfit(self, name: str, resource: Json, skill: str) -> str:
        """Why somebody without a skill cannot: a qualification is held as a technician, or as an inspector."""
        plain = skill.removesuffix(SECOND_PERSON)
        other = plain if plain != skill else f"{skill}{SECOND_PERSON}"
        if other in (resource.get("skills") or {}):
            has, needed = ("a technician", "an inspector") if plain != skill else ("an inspector", "a technician")
            return f"{name} is qualified for {self.board.called(plain)} as {has} and not as {needed}, whom it needs."
        return f"{name} is not qualified: {self.board.called(skill)}."

    def _against_fitness(self, work: Work, stands: Stands, need: Json, key: str) -> list[str]:
        resource = self.board.resources.get(key)
        if resource is None:
            gone = f"{self.board.called(key)}, which is not there any longer"
            return [f"{_first(self.board.called(work.id))} is booked with {gone}."]
        name = self.board.called(key)
        if resource["kind"] != need["kind"]:
            return [f"{_first(self.board.called(work.id))} needs a {need['kind']}; {name} is a {resource['kind']}."]
        found = []
        skill = need.get("skill")
        window = (resource.get("skills") or {}).get(skill) if skill else None
        if skill and window is None:
            found.append(self._unfit(name, resource, skill))
        elif window is not None and not _within(stands, window[0], window[1]):
            held = f"The qualification of {name}, {self.board.called(str(skill))},"
            found.append(f"{held} is valid {self._validity(stands, window)}.")
        if not _within(stands, resource.get("usable_from"), resource.get("usable_until")):
            until_text = resource.get("usable_until")
            limit = f" until {self._at(datetime.fromisoformat(until_text))}" if until_text else " yet"
            found.append(f"{name} is usable{limit}." if until_text else f"{name} is not usable{limit}.")
        if "calendar" in resource:
            found += self._against_calendar(work, stands, key, self.board.calendars[resource["calendar"]])
        return found

    def _validity(self, stands: Stands, window: Sequence[str]) -> str:
        """The end of a qualification's time that the work does not keep: before it begins, or after it is over."""
        begins = datetime.fromisoformat(window[0])
        if stands.start < begins:
            return f"from {self._at(begins)}"
        return f"until {self._at(datetime.fromisoformat(window[1]))}"

    def _against_calendar(self, work: Work, stands: Stands, key: str, spans: Spans) -> list[str]:
        if work.may_pause or any(begin <= stands.start and stands.end <= until for begin, until in spans):
            return []
        place = self.board.resources[key]["kind"] in {"bay", "crane"}
        what, there = ("is closed", "open") if place else ("is not there", "there")
        inside = [(begin, until) for begin, until in spans if begin < stands.end and stands.start < until]
        if not inside:
            coming = next((begin for begin, _ in spans if begin >= stands.end), None)
            again = f"; next {there} from {self._at(coming)}" if coming is not None else ""
            return [f"{self.board.called(key)} {what} from {self._at(stands.start)} to {self._at(stands.end)}{again}."]
        begin, until = inside[0]
        if until < stands.end:
            return [f"{self.board.called(key)} {what} after {self._at(until)}, and this ends {self._at(stands.end)}."]
        return [f"{self.board.called(key)} {what} before {self._at(begin)}, and this starts {self._at(stands.start)}."]

    def _against_others(self, work: Work, need: Json, key: str) -> list[str]:
        """Double bookings, with the whole interval; what an order keeps, it keeps from its first use to its last."""
        own = self._span_of(work, need, key)
        found = []
        for other_order, begin, end, what in self.uses(key):
            if begin >= own[1]:
                break  # they are in the order of their starts
            if other_order == work.order and (need.get("hold") == "order" or what == work.id):
                continue
            if own[0] < end:
                taken = self.board.called(what) if what in self.board.work else f"{self.board.called(other_order)}"
                found.append(f"{self.board.called(key)} has {taken} from {self._at(begin)} to {self._at(end)}.")
        return found

    def _span_of(self, work: Work, need: Json, key: str) -> tuple[datetime, datetime]:
        if need.get("hold") != "order":
            return self.standing[work.id].start, self.standing[work.id].end
        with_it = [self.standing[one.id] for one in self.board.of_order(work.order)
                   if one.id in self.standing and key in self.standing[one.id].resources]  # fmt: skip
        return min(one.start for one in with_it), max(one.end for one in with_it)

    def uses(self, key: str) -> list[tuple[str, datetime, datetime, str]]:
        """(order, from, to, operation or order) of everything a resource is booked for, by start."""
        if self._uses is None:
            self._uses = self._all_uses()
        return self._uses.get(key, [])

    def _all_uses(self) -> dict[str, list[tuple[str, datetime, datetime, str]]]:
        kept: dict[tuple[str, str], tuple[datetime, datetime]] = {}
        found: dict[str, list[tuple[str, datetime, datetime, str]]] = {}
        for one, stands in self.standing.items():
            work = self.board.work[one]
            for key in stands.resources:
                if self.board.keeps(work, key):
                    begin, end = kept.get((key, work.order), (stands.start, stands.end))
                    kept[key, work.order] = (min(begin, stands.start), max(end, stands.end))
                else:
                    found.setdefault(key, []).append((work.order, stands.start, stands.end, one))
        for (key, order), (begin, end) in kept.items():
            found.setdefault(key, []).append((order, begin, end, order))
        for uses in found.values():
            uses.sort(key=lambda use: (use[1], use[3]))
        return found

    # --- The order ------------------------------------------------------------------------------------

    def order_end(self, order: str, standing: Mapping[str, Stands]) -> datetime | None:
        return max((standing[one.id].end for one in self.board.of_order(order) if one.id in standing), default=None)

    def outcome(self, order: str) -> tuple[list[str], bool]:
        """What becomes of the order's end, promise and due time."""
        end, before = self.order_end(order, self.standing), self.order_end(order, self.board.stands)
        if end is None:
            return [], False
        name, notes = self.board.called(order), []
        if before is not None and end != before:
            by = length((end - before).total_seconds() / 60)
            notes.append(f"{name} ends {self._at(end)}, {by} {'later' if end > before else 'earlier'} than before.")
        else:
            notes.append(f"{name} ends {self._at(end)}, as before.")
        late = False
        for field_name, word in (("promise", "its promise"), ("due", "the time it is needed by")):
            limit = self.board.orders[order].get(field_name)
            if limit is None:
                continue
            at = datetime.fromisoformat(limit)
            if end > at:
                late = True
                notes.append(f"That is {length((end - at).total_seconds() / 60)} after {word}, {self._at(at)}.")
            elif field_name == "promise":
                left = length((at - end).total_seconds() / 60)
                notes.append(f"Its promise, {self._at(at)}, is kept with {left} left.")
        return notes, late


def _slots(needs: Iterable[Json]) -> list[Json]:
    return [need for need in needs for _ in range(need.get("count", 1))]


def _within(stands: Stands, since: str | None, until: str | None) -> bool:
    return (since is None or datetime.fromisoformat(since) <= stands.start) and (
        until is None or stands.end <= datetime.fromisoformat(until)
    )


def _first(name: str) -> str:
    return name[:1].upper() + name[1:]
