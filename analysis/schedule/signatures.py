"""Operations with the same needs, by number, with who can meet them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations_with_replacement, product

from analysis.schedule.fixed import slots
from analysis.schedule.model import NEVER, Need, Operation, Problem
from analysis.schedule.numbered import Calendars

MOST_MIXES = 60                     # choices of calendars looked at for one operation that may pause


class Signatures:
    """Operations with the same needs share their candidates and mixes of calendars.

    Where all candidates of a need are asked for alike (probes, bays), orders begin with each in turn: when one is
    withdrawn, few orders are hit.
    """

    def __init__(self, problem: Problem, calendars: Calendars, ease: Sequence[float]) -> None:
        self.problem, self.calendars, self.ease = problem, calendars, ease
        self.known: dict[tuple[int, ...], int] = {}
        self.turns: dict[int, int] = {}             # how many candidates take turns, 1 where the first always begins
        self.mixed: dict[tuple[object, ...], list[tuple[int, tuple[int, ...]]]] = {}
        self.slots: list[list[int]] = []            # per signature, numbers of slots
        self.candidates: list[list[tuple[int, int, int]]] = []
        self.mixes: list[list[tuple[int, tuple[int, ...]]]] = []

    def number(self, operation: Operation) -> int:
        pauses = operation.may_pause and operation.length > 0
        # Needs read alike share one tuple of candidates, and its identity is quicker to compare than what is in it.
        parts: list[int] = [pauses]
        for need in operation.needs:
            parts += (need.count, id(need.candidates), self._turn(need, operation.order))
        key = tuple(parts)
        if key not in self.known:
            self.known[key] = len(self.slots)
            self.slots.append([])
            for need in slots(operation):
                self.slots[-1].append(len(self.candidates))
                able = sorted(need.candidates, key=lambda one: (self.ease[one.resource], one.resource))
                turn = self._turn(need, operation.order)
                self.candidates.append([(one.resource, one.lo, one.hi) for one in able[turn:] + able[:turn]])
            self.mixes.append(self._mixed(operation.needs) if pauses else [])
        return self.known[key]

    def _turn(self, need: Need, order: int) -> int:
        """With which of its candidates an order begins."""
        name = id(need.candidates)
        turns = self.turns.get(name)
        if turns is None:
            alike = len({self.ease[one.resource] for one in need.candidates}) == 1
            turns = self.turns[name] = len(need.candidates) if alike else 1
        return order % turns

    def _mixed(self, needs: Sequence[Need]) -> list[tuple[int, tuple[int, ...]]]:
        name = tuple([(need.count, id(need.candidates)) for need in needs])
        if name not in self.mixed:
            self.mixed[name] = self._mixes(needs)
        return self.mixed[name]

    def _mixes(self, needs: Sequence[Need]) -> list[tuple[int, tuple[int, ...]]]:
        """Calendars for each slot, the ones with most open time in common first."""
        parts = []
        for need in needs:
            classes = sorted({self.calendars.of[one.resource] for one in need.candidates})
            parts.append(list(combinations_with_replacement(classes, need.count))[:MOST_MIXES])
        names = {number: key for key, number in self.calendars.known.items()}
        found = []
        for _, mix in zip(range(20 * MOST_MIXES), product(*parts), strict=False):
            flat = tuple(one for part in mix for one in part)
            number = self.calendars.number(name for one in flat for name in names[one])
            names[number] = next(key for key, value in self.calendars.known.items() if value == number)
            spans = self.calendars.spans[number]
            length = int((spans[:, 1] - spans[:, 0]).sum()) if number else NEVER
            if length:
                found.append((-length, number, flat))
        found.sort()
        return [(number, flat) for _, number, flat in found[:MOST_MIXES]] or [(0, (-1,) * 64)]

    @property
    def widest(self) -> int:
        return max((len(one) for one in self.slots), default=0) + 1


def ease_of(problem: Problem) -> list[float]:
    """How much else each resource could do, by the work that asks for it: the least asked-for is taken first."""
    ease = [0.0] * len(problem.resources)
    able: dict[int, list[int]] = {}
    for operation in problem.operations:
        for need in operation.needs:
            name = id(need.candidates)
            if name not in able:
                able[name] = [one.resource for one in need.candidates]
            share = need.count * (operation.length / 60e6 + 1) / max(1, len(able[name]))
            for resource in able[name]:
                ease[resource] += share
    return ease
