"""The constraint model behind `exact`: where operations stand, who does them, and what that costs.

What competes for resources is in `exact_uses`. All times are whole units from the problem's midnight.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import isclose

from ortools.sat.python import cp_model

from analysis.schedule.exact_places import TooLarge, Way
from analysis.schedule.exact_windows import Window, rates, windows
from analysis.schedule.fixed import Fixed, slots
from analysis.schedule.jobs import Jobs
from analysis.schedule.model import MINUTE, NEVER, Booking, Need, Operation, Order, Problem

SCALES = (1, 2, 4, 5, 10, 20, 25, 50, 100, 1000)    # what makes weights whole numbers
Literals = dict[int, cp_model.IntVar]
Term = tuple[float, cp_model.IntVar]


@dataclass
class Placed:
    """One operation in the model; `picks` has for each slot the literal of each candidate."""

    operation: Operation
    start: cp_model.IntVar
    end: cp_model.LinearExprT
    size: cp_model.LinearExprT
    picks: list[Literals]
    ways: list[tuple[Way, cp_model.IntVar]] = field(default_factory=list)


def members_of(operation: Operation) -> list[tuple[Need, int]]:
    """The need of each slot, and which member of what the order keeps the slot is."""
    return [(need, need.member + one) for need in operation.needs for one in range(need.count)]


class Model:
    """Operations, their order and their costs; raises `TooLarge` for what the model is not for."""

    def __init__(self, problem: Problem, fixed: Fixed, jobs: Jobs, objective: float) -> None:
        self.problem, self.fixed, self.jobs = problem, fixed, jobs
        self.cp = cp_model.CpModel()
        found = windows(problem, fixed, jobs, objective)
        self.latest, self.unit = found.latest, found.unit
        self.groups: dict[tuple[int, int], Literals] = {}      # by number and member of what an order keeps
        self.offset, self.scale = 0.0, 1
        self.placed: dict[int, Placed] = {}
        for index, window in found.of.items():
            self.placed[index] = self._place(problem.operations[index], window)
        self._sequence()
        self._costs([problem.orders[one] for members in jobs.orders for one in members])

    def _place(self, operation: Operation, window: Window) -> Placed:
        if operation.may_pause and operation.length > 0:
            return self._place_pausing(operation, window.ways)
        allowed = set.intersection(*({one for values in per_candidate for one in values}
                                     for per_candidate in window.starts))
        start, size = self._start(operation, allowed), operation.length // self.unit
        placed = Placed(operation, start, start + size, size, self._picks(operation))
        for need, picks, per_candidate in zip(slots(operation), placed.picks, window.starts, strict=False):
            for one, values in zip(need.candidates, per_candidate, strict=True):
                if not allowed <= set(values):
                    self._within(start, values, picks[one.resource])
        return placed

    def _place_pausing(self, operation: Operation, all_ways: list[Way]) -> Placed:
        merged: dict[tuple[object, ...], list[int]] = defaultdict(list)
        like: dict[tuple[object, ...], Way] = {}
        for way in all_ways:
            key: tuple[object, ...] = way.lasting, way.among, way.worked if operation.release_in_pause else ()
            merged[key] += way.starts
            like.setdefault(key, way)
        start = self._start(operation, {one for values in merged.values() for one in values})
        size = self.cp.new_int_var_from_domain(
            cp_model.Domain.from_values(sorted({way.lasting // self.unit for way in all_ways})), "")
        end = self.cp.new_int_var(0, max(way.starts[-1] + way.lasting for way in all_ways) // self.unit, "")
        self.cp.add(end == start + size)
        placed = Placed(operation, start, end, size, self._picks(operation))
        for key, values in merged.items():
            way, chosen = like[key], self.cp.new_bool_var("")
            placed.ways.append((way, chosen))
            self._within(start, values, chosen)
            self.cp.add(size == way.lasting // self.unit).only_enforce_if(chosen)
            for picks, among in zip(placed.picks, way.among, strict=True):
                for literal in (literal for resource, literal in picks.items() if resource not in among):
                    self.cp.add_implication(chosen, ~literal)
        self.cp.add_exactly_one(chosen for _, chosen in placed.ways)
        self._valid(placed)
        return placed

    def _valid(self, placed: Placed) -> None:
        """Nobody starts before or ends after the time in which they may do it."""
        for need, picks in zip(slots(placed.operation), placed.picks, strict=True):
            for one in need.candidates:
                if one.lo > -NEVER:
                    self.cp.add(placed.start >= -(-one.lo // self.unit)).only_enforce_if(picks[one.resource])
                if one.hi < NEVER:
                    self.cp.add(placed.end <= one.hi // self.unit).only_enforce_if(picks[one.resource])

    def _start(self, operation: Operation, allowed: set[int]) -> cp_model.IntVar:
        if not allowed:
            raise TooLarge          # the plan at hand has a place, so something is read otherwise here
        return self.cp.new_int_var_from_domain(
            cp_model.Domain.from_values(sorted(one // self.unit for one in allowed)), operation.id)

    def _within(self, start: cp_model.IntVar, values: Iterable[int], literal: cp_model.IntVar) -> None:
        domain = cp_model.Domain.from_values(sorted(one // self.unit for one in values))
        self.cp.add_linear_expression_in_domain(start, domain).only_enforce_if(literal)

    def _picks(self, operation: Operation) -> list[Literals]:
        """A literal for each candidate of each slot; what the order keeps has its literals in common."""
        found: list[Literals] = []
        for need, member in members_of(operation):
            literals: Literals = {}
            if need.group in self.jobs.groups:
                literals = self.groups.setdefault((self.jobs.groups[need.group], member), literals)
            for one in need.candidates:
                if one.resource not in literals:
                    literals[one.resource] = self.cp.new_bool_var("")
            found.append({one.resource: literals[one.resource] for one in need.candidates})
            self.cp.add_exactly_one(found[-1].values())
        for resource in sorted({one for picks in found for one in picks}):
            shared = [picks[resource] for picks in found if resource in picks]
            if len(shared) > 1:
                self.cp.add_at_most_one(shared)
        self._same_order(operation, found)
        return found

    def _same_order(self, operation: Operation, found: list[Literals]) -> None:
        """The resources of one need for several stand in one order only: others would be the same plan."""
        needs = slots(operation)
        for one in range(len(needs) - 1):
            if needs[one] is needs[one + 1] and needs[one].group < 0:
                self.cp.add(sum(number * literal for number, literal in found[one].items())
                            < sum(number * literal for number, literal in found[one + 1].items()))

    def _sequence(self) -> None:
        fixed = self.fixed.bookings
        for index in (one for members in self.jobs.operations for one in members):
            for before, lag in self.problem.operations[index].after:
                if index in self.placed and before in self.placed:
                    self.cp.add(self.placed[index].start >= self.placed[before].end + lag // self.unit)
                elif index in self.placed:
                    self.cp.add(self.placed[index].start >= (fixed[before].end + lag) // self.unit)
                elif before in self.placed:
                    self.cp.add(self.placed[before].end <= (fixed[index].start - lag) // self.unit)

    def _costs(self, orders: Iterable[Order]) -> None:
        terms = [term for order in orders for term in self._late(order)] + self._span() + self._moves()
        self.scale = next((one for one in SCALES if all(
            isclose(rate * one, round(rate * one), abs_tol=1e-9) for rate, _ in terms)), 0)
        if not self.scale:
            raise TooLarge
        self.cp.minimize(sum(round(rate * self.scale) * variable for rate, variable in terms))

    def _late(self, order: Order) -> list[Term]:
        terms = []
        ends = [self.placed[one].end for one in order.operations if one in self.placed]
        for at, rate in rates(self.problem, order):
            floor = max([0, *(self.fixed.bookings[one].end - at for one in order.operations
                              if one in self.fixed.bookings)])
            if not ends:
                self.offset += rate * floor
                continue
            most = max(floor, self.latest[order.index] - at) // self.unit
            late = self.cp.new_int_var(floor // self.unit, max(most, floor // self.unit), "")
            for end in ends:
                self.cp.add(late >= end - at // self.unit)
            terms.append((rate * self.unit, late))
        return terms

    def _span(self) -> list[Term]:
        rate = self.problem.weights["makespan"] / MINUTE
        if rate <= 0:
            return []
        first = max([self.problem.now, *(booking.end for booking in self.fixed.bookings.values())])
        last = self.cp.new_int_var(first // self.unit, max(first, *self.latest.values()) // self.unit + 1, "")
        for placed in self.placed.values():
            self.cp.add(last >= placed.end)
        self.offset -= rate * self.problem.now
        return [(rate * self.unit, last)]

    def _moves(self) -> list[Term]:
        weights, terms = self.problem.weights, []
        for index, (start, named) in self.problem.previous.items():
            placed = self.placed.get(index)
            if placed is None:
                self.offset += self._fixed_move(index, start, named)
                continue
            if weights["moved_start"] > 0:
                moved = self.cp.new_bool_var("")
                if start % self.unit:
                    self.cp.add(moved == 1)
                else:
                    self.cp.add(placed.start == start // self.unit).only_enforce_if(~moved)
                terms.append((weights["moved_start"], moved))
            if weights["changed_resource"] > 0 and named is not None:
                changed = self.cp.new_bool_var("")
                if len(set(named)) != len(placed.picks):
                    self.cp.add(changed == 1)
                for resource in sorted(set(named)):
                    self.cp.add(sum(picks[resource] for picks in placed.picks if resource in picks) + changed >= 1)
                terms.append((weights["changed_resource"], changed))
        return terms

    def _fixed_move(self, index: int, start: int, named: tuple[int, ...] | None) -> float:
        """What it costs that a pin is not where the plan in force has it."""
        booking, weights = self.fixed.bookings.get(index), self.problem.weights
        if booking is None or self.problem.operations[index].state != "planned":
            return 0.0
        changed = named is not None and set(named) != set(booking.resources)
        return weights["moved_start"] * (booking.start != start) + weights["changed_resource"] * changed

    def hint(self, bookings: Mapping[int, Booking]) -> None:
        """Tell the solver of a plan that stands."""
        hinted: set[int] = set()
        for index, placed in self.placed.items():
            booking = bookings[index]
            self.cp.add_hint(placed.start, booking.start // self.unit)
            chosen: list[int] = []
            for need in placed.operation.needs:
                named = booking.resources[len(chosen):len(chosen) + need.count]
                chosen += named if need.group >= 0 else sorted(named)
            for picks, resource in zip(placed.picks, chosen, strict=True):
                for one, literal in picks.items():
                    if literal.index not in hinted:
                        hinted.add(literal.index)
                        self.cp.add_hint(literal, one == resource)

    def bookings(self, solver: cp_model.CpSolver) -> dict[int, Booking]:
        """The solution as bookings."""
        return {index: Booking(
            solver.value(placed.start) * self.unit, solver.value(placed.end) * self.unit,
            tuple(next(one for one, literal in picks.items() if solver.boolean_value(literal))
                  for picks in placed.picks)) for index, placed in self.placed.items()}
