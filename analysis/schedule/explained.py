"""Orders left out, explained: the smallest set of facts that conflict, and the cheapest single changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from analysis.schedule.clashing import MOST_ASKED, Asked, smallest
from analysis.schedule.fixed import fix
from analysis.schedule.jobs import jobs_of
from analysis.schedule.model import Fact, LeftOut, Problem
from analysis.schedule.problem import read
from analysis.schedule.relax import changed
from analysis.schedule.remedies import MOST_TO_PLAN_WHOLE, Search
from analysis.schedule.saying import facts, named, sentence

MOST_EXPLAINED = 10                 # jobs; of those beyond it is said what stands in the way and no more
NONE = "No single change was found that would do."


def explain(raw: Mapping[str, Any], problem: Problem) -> None:
    """Put smallest sets and remedies into `problem.left_out`, where they can be found.

    `raw` is the JSON that the problem was read from. What cannot be read or waits in a circle keeps the sentence it
    has. Of an order that has a place and only not beside the other orders so much is said, without a set.
    """
    if not problem.left_out:
        return
    out = {entry.order for entry in problem.left_out}
    apart = read({**raw, "orders": _concerned(raw, problem, out)}, short=True)
    known = [order for order in apart.orders if order.id in out]
    jobs = jobs_of(apart, fix(changed(apart, ())), known)
    for orders, operations in list(zip(jobs.orders, jobs.operations, strict=True))[:MOST_EXPLAINED]:
        mine = {apart.orders[one].id for one in orders}
        _put(problem, mine, _job(apart, mine, out, operations))


def _concerned(raw: Mapping[str, Any], problem: Problem, out: set[str]) -> list[Any]:
    """The orders left out and those with something fixed; of a small problem all, so that no remedy costs a place."""
    ids = {order.id for order in problem.orders for index in order.operations
           if len(problem.operations) <= MOST_TO_PLAN_WHOLE or problem.operations[index].state == "started"
           or problem.operations[index].pin_start is not None}
    return [one for one in raw.get("orders") or () if isinstance(one, Mapping) and one.get("id") in out | ids]


def _job(apart: Problem, mine: set[str], out: set[str], operations: Sequence[int]) -> LeftOut | None:
    """What is to be said of the orders of one job; None when nothing better is found."""
    others = [LeftOut(name, "", ()) for name in sorted(out - mine)]
    alone = replace(changed(apart, ()), left_out=others)
    trial = changed(alone, ())
    fixed = fix(trial)
    asked = Asked(alone, operations, MOST_ASKED, frozenset({entry.order for entry in trial.left_out} - mine))
    clash = smallest(asked, fixed)
    if clash is None:
        return _crowded(alone, asked)
    said = named(alone, fixed, clash)
    remedies = Search(asked, fixed, clash).remedies()
    words = sentence(alone, clash, said) + ("" if remedies else f" {NONE}")
    return LeftOut("", words, facts(alone, clash), "", remedies, said)


def _crowded(problem: Problem, asked: Asked) -> LeftOut | None:
    """What is said of a job that has a place beside what is fixed, and only not beside the other orders."""
    found = asked.found(())
    if found is None or not found.whole:
        return None
    last = max(found.bookings, key=lambda one: (found.bookings[one].end, one))
    operation = problem.operations[last]
    words = (f"Beside work in hand and pins alone there is a place, and {operation.id} would end "
             f"{problem.instant(found.bookings[last].end)}; beside the orders that are planned there is none.")
    return LeftOut("", words, (Fact("operation", operation.id),))


def _put(problem: Problem, mine: set[str], found: LeftOut | None) -> None:
    if found is None:
        return
    problem.left_out = [entry if entry.order not in mine else replace(
        found, order=entry.order, facts=tuple(dict.fromkeys((Fact("order", entry.order), *found.facts))),
        place=entry.place) for entry in problem.left_out]
