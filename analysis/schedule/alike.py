"""Jobs that ask for the same: what is found out about one holds for the other, word for word.

Orders of one procedure are alike until work on them begins. Whether a job has a place beside what is fixed depends on
its own operations and on nothing that bears its name, so a set found for one is a set for each that is alike.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace

from analysis.schedule.clashing import Clash, Term
from analysis.schedule.model import Fact, Problem
from analysis.schedule.relax import Change

OF_OPERATIONS, OF_ORDERS = ("pin", "lag", "pause"), ("hold", "release")


def signature(problem: Problem, operations: Sequence[int]) -> Hashable:
    """All that the places of a job depend on, apart from the shop; None where it is like no other."""
    place = {index: number for number, index in enumerate(operations)}
    groups: dict[int, int] = {}
    orders: dict[int, int] = {}
    found = []
    for index in operations:
        one = problem.operations[index]
        if one.state != "planned" or one.pin_start is not None or one.pin_resources or any(
                before not in place for before, _ in one.after):
            return None
        needs = tuple((need.kind, need.any_of, need.skill, need.count, need.amount, need.member,
                       groups.setdefault(need.group, len(groups)) if need.group >= 0 else -1) for need in one.needs)
        order = orders.setdefault(one.order, len(orders))
        found.append((one.length, one.may_pause, one.release_in_pause, needs, order,
                      max(problem.now, problem.orders[one.order].release),
                      tuple((place[before], lag) for before, lag in one.after)))
    return tuple(found)


def transferred(problem: Problem, clash: Clash, old: Sequence[int], new: Sequence[int]) -> Clash:
    """The set of one job as that of another with the same signature."""
    operations = dict(zip(old, new, strict=True))
    orders = {problem.operations[one].order: problem.operations[two].order for one, two in operations.items()}
    ids = {problem.operations[one].id: problem.operations[two].id for one, two in operations.items()}
    ids |= {problem.orders[one].id: problem.orders[two].id for one, two in orders.items()}

    def change(one: Change, kind: str) -> Change:
        known = operations if kind in OF_OPERATIONS else orders if kind in OF_ORDERS else {}
        return replace(one, subject=known.get(one.subject, one.subject))

    def term(one: Term) -> Term:
        return replace(one, changes=tuple(change(each, one.kind) for each in one.changes), facts=tuple(
            Fact(fact.kind, ids.get(fact.id, fact.id)) for fact in one.facts))

    return replace(clash, terms=[term(one) for one in clash.terms], operation=operations[clash.operation],
                   given=[term(one) for one in clash.given])
