"""Orders left out, explained: the smallest set of facts that conflict, and the cheapest single changes."""

from __future__ import annotations

import hashlib
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from analysis.schedule.alike import signature, transferred
from analysis.schedule.clashing import MOST_ASKED, Asked, Clash, smallest
from analysis.schedule.crowded import Crowd, Tried, crowd_of
from analysis.schedule.fixed import Fixed, fix
from analysis.schedule.jobs import jobs_of
from analysis.schedule.model import WEIGHTS, Fact, LeftOut, Problem, Remedy
from analysis.schedule.problem import read
from analysis.schedule.relax import changed
from analysis.schedule.remedies import MOST_TO_PLAN_WHOLE, Search, cheapest
from analysis.schedule.saying import facts, named, sentence

MOST_EXPLAINED = 12                 # jobs unlike each other; of others is said what stands in the way and no set
MOST_TOLD = 60                      # jobs that are looked at at all,
MOST_ALIKE = 120                    # and beyond them those that are like one of which a set is known
MOST_BESIDE, ALL_BESIDE = 60, 120   # questions beside the orders planned, for one job and for all
MOST_CUT_SHORT = 12                 # facts of a set that is not the smallest; more of them tell nobody anything
MOST_FOR_REMEDIES = 12              # questions about changes, once there is a set
EVEN = {"tardiness": 1.0, "moved_start": 1.0, "changed_resource": 1.0}
LAST: dict[str, list[LeftOut]] = {}     # what was asked last in this process, and what is said of it
NONE = "No single change was found that would do."


def explain(raw: Mapping[str, Any], problem: Problem) -> None:
    """Put smallest sets and remedies into `problem.left_out`, where they can be found.

    `raw` is the JSON that the problem was read from. What cannot be read or waits in a circle keeps the sentence it
    has. Of an order that has a place and only not beside the orders planned, those of them that stand in its way are
    facts of the set. Where orders stand for that follows from the rules under weights of its own, so that the plans of
    several aims are explained once.
    """
    if not problem.left_out:
        return
    asked = _asked(raw, problem)
    found = LAST.get(asked)
    if found is None:
        stated = replace(problem, weights={name: EVEN.get(name, 0.0) for name in WEIGHTS})
        _explain({**raw, "weights": EVEN}, stated)
        found = stated.left_out
        LAST.clear()
        LAST[asked] = found
    problem.left_out = list(found)


def _asked(raw: Mapping[str, Any], problem: Problem) -> str:
    """What an explanation follows from, in short."""
    return hashlib.sha256(repr(({**raw, "weights": None}, problem.left_out)).encode()).hexdigest()


def _explain(raw: Mapping[str, Any], problem: Problem) -> None:
    shop = Shop(raw, problem, {entry.order for entry in problem.left_out})
    known = [order for order in shop.apart.orders if order.id in shop.out]
    jobs = jobs_of(shop.apart, fix(changed(shop.apart, ())), known)
    # The weightiest first: their sets are found with the questions there are, and hold for all that are like them.
    weights = [-sum(shop.apart.orders[one].weight for one in orders) for orders in jobs.orders]
    ranked = sorted(range(len(weights)), key=lambda one: (weights[one], one))
    for rank, number in enumerate(ranked):
        if rank < MOST_TOLD or (rank < MOST_ALIKE and signature(shop.apart, jobs.operations[number]) in shop.found):
            mine = {shop.apart.orders[one].id for one in jobs.orders[number]}
            _put(problem, mine, _job(shop, mine, jobs.operations[number]))
    _that_do_as_well(shop, problem)


@dataclass(frozen=True)
class Before:
    """The set found for a job, with its operations and with the crowd where that is what stands in the way."""

    clash: Clash
    operations: tuple[int, ...]
    crowd: Crowd | None


@dataclass
class Shop:
    """A problem with orders left out, those of it that explanations are about, and the crowd once it is asked for."""

    raw: Mapping[str, Any]
    problem: Problem
    out: set[str]
    apart: Problem = field(init=False)
    known: list[Crowd] = field(default_factory=list)
    left: int = ALL_BESIDE
    solved: int = 0
    unsolved: set[Hashable] = field(default_factory=set)
    found: dict[Hashable, Before] = field(default_factory=dict)
    remedies: list[tuple[Remedy, Tried]] = field(default_factory=list)
    alone: set[str] = field(default_factory=set)    # orders without a place even beside nothing but what is fixed

    def __post_init__(self) -> None:
        self.apart = read({**self.raw, "orders": self._concerned()}, short=True)

    def _concerned(self) -> list[Any]:
        """The orders left out and those with something fixed; of a small problem all, so that no remedy costs a place.
        """
        problem = self.problem
        ids = {order.id for order in problem.orders for index in order.operations
               if len(problem.operations) <= MOST_TO_PLAN_WHOLE or problem.operations[index].state == "started"
               or problem.operations[index].pin_start is not None}
        return [one for one in self.raw.get("orders") or ()
                if isinstance(one, Mapping) and one.get("id") in self.out | ids]

    @property
    def crowd(self) -> Crowd:
        """The orders planned, worked out once."""
        if not self.known:
            self.known.append(crowd_of(self.raw, self.problem))
        return self.known[0]


def _job(shop: Shop, mine: set[str], operations: Sequence[int]) -> LeftOut | None:
    """What is to be said of the orders of one job; None when nothing better is found."""
    others = [LeftOut(name, "", ()) for name in sorted(shop.out - mine)]
    alone = replace(changed(shop.apart, ()), left_out=others)
    trial = changed(alone, ())
    fixed = fix(trial)
    out = frozenset({entry.order for entry in trial.left_out} - mine)
    asked = Asked(alone, operations, MOST_ASKED, out)
    name = signature(alone, operations)
    known = shop.found.get(name) if name is not None else None
    if known is None and (shop.solved >= MOST_EXPLAINED or name in shop.unsolved):
        return _crowded(Asked(alone, operations, 1, out))
    if known is not None:
        told = replace(asked, left=MOST_FOR_REMEDIES, crowd=known.crowd)
        return _told(shop, told, fixed, transferred(alone, known.clash, known.operations, operations))
    shop.solved += 1
    clash = smallest(asked, fixed)
    if clash is None:
        allowed = min(MOST_BESIDE, shop.left)
        asked = replace(asked, left=allowed, known={}, places={}, fixed=None, crowd=shop.crowd)
        clash = smallest(asked, fixed)
        shop.left -= allowed - max(0, asked.left)
    if clash is None or (not clash.whole and len(clash.terms) > MOST_CUT_SHORT):
        shop.unsolved |= {name} - {None}
        return _crowded(Asked(alone, operations, 1, out))
    if name is not None:
        shop.found[name] = Before(clash, tuple(operations), asked.crowd)
    asked.left = max(asked.left, MOST_FOR_REMEDIES)
    return _told(shop, asked, fixed, clash)


def _told(shop: Shop, asked: Asked, fixed: Fixed, clash: Clash) -> LeftOut:
    """A set in words, with what would do."""
    if asked.crowd is None:
        shop.alone |= {asked.problem.orders[asked.problem.operations[one].order].id for one in asked.operations}
    said = named(asked, fixed, clash)
    parts = len(shop.apart.orders) < len(shop.problem.orders)
    remedies = Search(asked, fixed, clash, shop.remedies, parts).remedies()
    words = sentence(asked.problem, clash, said) + ("" if remedies else f" {NONE}")
    return LeftOut("", words, facts(asked.problem, clash), "", remedies, said)


def _crowded(asked: Asked) -> LeftOut | None:
    """What is said of a job that has a place alone, and by the rules none beside the others, when no set is found."""
    found = asked.found(())
    if found is None or not found.whole:
        return None
    problem = asked.problem
    last = max(found.bookings, key=lambda one: (found.bookings[one].end, one))
    operation = problem.operations[last]
    words = (f"Beside work in hand and pins alone there is a place, and {operation.id} would end "
             f"{problem.instant(found.bookings[last].end)}; beside the orders that are planned none was found.")
    return LeftOut("", words, (Fact("operation", operation.id),))


def _that_do_as_well(shop: Shop, problem: Problem) -> None:
    """Give orders in whose way the same stands the same changes, where their plans have a place for all of them.

    One change for all of them is worth more to a planner than one for each, unless those come to less together. An
    order for which none was found gets those that give others a place, where their plans have one for it.
    """
    readable, alike = {order.id for order in shop.apart.orders}, dict[frozenset[str], list[int]]()
    for number, entry in enumerate(problem.left_out):
        if entry.order in readable:
            alike.setdefault(_stands_in_the_way(entry), []).append(number)
    for numbers in alike.values():
        shared = _shared(shop, [problem.left_out[one] for one in numbers])
        for number in numbers:
            entry = problem.left_out[number]
            found = shared or entry.remedies or _serving(shop, {entry.order})
            reason = entry.reason.removesuffix(f" {NONE}") if found else entry.reason
            problem.left_out[number] = replace(entry, reason=reason, remedies=found)


def _stands_in_the_way(entry: LeftOut) -> frozenset[str]:
    """The resources that a set is about."""
    return frozenset(fact.id for named in entry.named for fact in named.facts if fact.kind == "resource")


def _shared(shop: Shop, entries: Sequence[LeftOut]) -> tuple[Remedy, ...]:
    """The changes that serve all of several orders, unless one for each costs less together."""
    found = _serving(shop, {one.order for one in entries}) if len(entries) > 1 else ()
    own = [one.remedies[0].hours for one in entries if one.remedies]
    return () if found and len(own) == len(entries) and sum(own) < found[0].hours else found


def _serving(shop: Shop, orders: set[str]) -> tuple[Remedy, ...]:
    """The cheapest changes known whose plans have all of the orders."""
    return cheapest(one for one, plan in shop.remedies
                    if (plan.whole or orders <= shop.alone) and not orders & plan.left)


def _put(problem: Problem, mine: set[str], found: LeftOut | None) -> None:
    if found is None:
        return
    problem.left_out = [entry if entry.order not in mine else replace(
        found, order=entry.order, facts=tuple(dict.fromkeys((Fact("order", entry.order), *found.facts))),
        place=entry.place) for entry in problem.left_out]
