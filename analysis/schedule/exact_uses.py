"""What competes in the exact model: bookings, what orders keep, and what does not move, resource by resource."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable

from ortools.sat.python import cp_model

from analysis.schedule.exact_model import Literals, Model, Placed, members_of
from analysis.schedule.exact_places import TooLarge
from analysis.schedule.fields import FAR
from analysis.schedule.model import Spans


def compete(model: Model) -> None:
    """Add to the model that nothing is used beyond its capacity; raises `TooLarge` for what cannot be said in it."""
    Uses(model).add()


class Uses:
    """The intervals of each resource, with their amounts."""

    def __init__(self, model: Model) -> None:
        self.model, self.cp, self.unit = model, model.cp, model.unit
        self.used: dict[int, list[tuple[cp_model.IntervalVar, int]]] = defaultdict(list)

    def add(self) -> None:
        """All that competes."""
        for placed in self.model.placed.values():
            self._own(placed)
        self._holds()
        self._fixed()
        for resource, used in self.used.items():
            capacity = self.model.problem.resources[resource].capacity
            if capacity == 1:
                self.cp.add_no_overlap([interval for interval, amount in used if amount])
            else:
                self.cp.add_cumulative([one for one, _ in used], [amount for _, amount in used], capacity)

    # -- what an operation takes for itself

    def _own(self, placed: Placed) -> None:
        for (need, _), picks in zip(members_of(placed.operation), placed.picks, strict=True):
            shared = any(self.model.problem.resources[one].capacity > 1 for one in picks)
            if shared and placed.operation.length == 0:
                raise TooLarge          # the solver's sum over time does not see moments
            if need.group in self.model.jobs.groups:
                continue
            for resource, literal in picks.items():
                self.used[resource] += [(one, need.amount) for one in self._taken(placed, literal)]

    def _taken(self, placed: Placed, literal: cp_model.IntVar) -> list[cp_model.IntervalVar]:
        """When a resource is taken: throughout, or in the working time alone when it is let go in a pause."""
        broken = [(way, chosen) for way, chosen in placed.ways if way.worked]
        if not placed.operation.release_in_pause or not broken:
            return [self.cp.new_optional_interval_var(placed.start, placed.size, placed.end, literal, "")]
        found = []
        straight = [chosen for way, chosen in placed.ways if not way.worked]
        if straight:
            size = placed.operation.length // self.unit
            found.append(self.cp.new_optional_fixed_size_interval_var(
                placed.start, size, self._both(literal, straight), ""))
        for way, chosen in broken:
            found += self._pieces(placed, way.worked, self._both(literal, [chosen]))
        return found

    def _pieces(self, placed: Placed, worked: Spans, both: cp_model.IntVar) -> list[cp_model.IntervalVar]:
        found = []
        for number, span in enumerate(worked):
            begin, end = (time // self.unit for time in span)
            if 0 < number < len(worked) - 1:
                found.append(self.cp.new_optional_fixed_size_interval_var(begin, end - begin, both, ""))
                continue
            size = self.cp.new_int_var(0, end - begin, "")
            if number == 0:
                found.append(self.cp.new_optional_interval_var(placed.start, size, end, both, ""))
            else:
                found.append(self.cp.new_optional_interval_var(begin, size, placed.end, both, ""))
        return found

    def _both(self, literal: cp_model.IntVar, any_of: list[cp_model.IntVar]) -> cp_model.IntVar:
        """A literal that is true when the first and one of the others are; of the others at most one is."""
        both = self.cp.new_bool_var("")
        self.cp.add(both >= literal + sum(any_of) - 1)
        self.cp.add_implication(both, literal)
        self.cp.add_bool_or(any_of).only_enforce_if(both)
        return both

    # -- what an order keeps

    def _holds(self) -> None:
        """Kept from the first start to the last end of the operations that have it, nights included."""
        users: dict[int, list[Placed]] = defaultdict(list)
        for placed in self.model.placed.values():
            for group in dict.fromkeys(need.group for need in placed.operation.needs):
                if group in self.model.jobs.groups:
                    users[self.model.jobs.groups[group]].append(placed)
        for group, having in users.items():
            members = {member: kept for (number, member), kept in sorted(self.model.groups.items()) if number == group}
            self._keep(group, having, members)
            for member, kept in members.items():
                self._one_at_a_time(group, member, having, kept)

    def _keep(self, group: int, having: list[Placed], members: dict[int, Literals]) -> None:
        jobs = self.model.jobs
        start, end = jobs.base_start[group], jobs.base_end[group]
        low = min([self.model.problem.now, *([start] if start < FAR else [])]) // self.unit
        high = max([self.model.latest[having[0].operation.order], *([end] if start < FAR else [])]) // self.unit + 1
        first, last = self.cp.new_int_var(low, high, ""), self.cp.new_int_var(low, high, "")
        for one in having:
            self.cp.add(first <= one.start)
            self.cp.add(last >= one.end)
        if start < FAR:
            self.cp.add(first <= start // self.unit)
            self.cp.add(last >= -(-end // self.unit))
        size = self.cp.new_int_var(0, high - low, "")
        for member, kept in members.items():
            self.cp.add_at_most_one(kept.values())
            pick = jobs.base_pick[group][member]
            if pick >= 0:
                if pick not in kept:
                    raise TooLarge      # it may not be used any longer; who takes its place is not for a proof
                self.cp.add_bool_or([kept[pick]])
            for resource, literal in kept.items():
                interval = self.cp.new_optional_interval_var(first, size, last, literal, "")
                self.used[resource].append((interval, jobs.group_amount[group]))
        for resource in sorted({one for kept in members.values() for one in kept}):
            shared = [kept[resource] for kept in members.values() if resource in kept]
            if len(shared) > 1:
                self.cp.add_at_most_one(shared)

    def _one_at_a_time(self, group: int, member: int, having: list[Placed], kept: Literals) -> None:
        """A person whom an order keeps does one of its operations at a time."""
        people = {self.model.problem.resources[one].kind == "person" for one in kept}
        if people == {False}:
            return
        if people != {True}:
            raise TooLarge
        number = next(one for one, own in self.model.jobs.groups.items() if own == group)

        def has(needs: Iterable[tuple[object, int]]) -> bool:
            return any(getattr(need, "group", -1) == number and own == member for need, own in needs)

        intervals = [self.cp.new_interval_var(one.start, one.size, one.end, "") for one in having
                     if has(members_of(one.operation))]
        for index, booking in self.model.fixed.bookings.items():
            if booking.end > self.model.problem.now and has(members_of(self.model.problem.operations[index])):
                intervals.append(self._solid(booking.start, booking.end))
        self.cp.add_no_overlap(intervals)

    # -- what does not move

    def _fixed(self) -> None:
        problem = self.model.problem
        for resource, uses in self.model.fixed.timeline.uses.items():
            taken = sorted((use.start, use.end, use.amount) for use in uses if use.end > problem.now and use.amount
                           and (not use.hold or self.model.jobs.free_hold(use)))
            if problem.resources[resource].capacity == 1:
                taken = [(start, end, 1) for start, end in joined((start, end) for start, end, _ in taken)]
            self.used[resource] += [(self._solid(start, end), amount) for start, end, amount in taken]

    def _solid(self, start: int, end: int) -> cp_model.IntervalVar:
        first = start // self.unit
        return self.cp.new_fixed_size_interval_var(first, -(-end // self.unit) - first, "")


def joined(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans, sorted by their start, with those that overlap made one: work in hand may clash, and stands."""
    found: list[tuple[int, int]] = []
    for start, end in spans:
        if found and start < found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((start, end))
    return found
