"""A smallest set of facts in words: what is needed from when on, and what each fact does about it."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.schedule.calendars import clipped, longest
from analysis.schedule.clashing import Asked, Clash, Term
from analysis.schedule.crowded import BESIDE, Crowd
from analysis.schedule.fixed import Fixed
from analysis.schedule.model import MINUTE, NEVER, Fact, Named, Problem
from analysis.schedule.relax import Change, gone
from analysis.schedule.words import counted, several

CUT = "The search for the smallest set was cut short, so that some of these facts may not matter."


MOST_NAMED = 3                      # of a kind of facts in a sentence; the others are counted


def named(asked: Asked, fixed: Fixed, clash: Clash) -> tuple[Named, ...]:
    """Each fact of the set with its sentence: first what lapsed or was lost, of those alike the last to serve first."""
    problem = asked.problem
    terms = sorted(clash.terms, key=lambda term: -_serves(problem, asked.crowd, term))
    kinds = list(dict.fromkeys(term.kind for term in clash.terms))
    said = []
    for term in sorted(terms, key=lambda one: (not one.scarce, 0 if one.scarce else kinds.index(one.kind))):
        if term.kind == BESIDE and asked.crowd is not None:
            said.append(_beside(problem, asked.crowd, clash, term))
        else:
            said.append(Named(term.kind, term.facts, _told(problem, fixed, clash, term)))
    return tuple(said)


def _serves(problem: Problem, crowd: Crowd | None, term: Term) -> int:
    """Until when what a fact limits can serve; of an order in the way, minus the instant at which it begins."""
    if term.kind == BESIDE and crowd is not None:
        return -crowd.begins[term.changes[0].subject]
    return max(_until(problem, one) for one in term.changes) if term.kind in ("usable", "skill", "calendar") else 0


def _beside(problem: Problem, crowd: Crowd, clash: Clash, term: Term) -> Named:
    """An order that is planned, with what it takes of what is asked for."""
    number = term.changes[0].subject
    taken = crowd.taken[number]
    able = {one.resource for need in clash.needs for one in need.candidates}
    mine = sorted(able & taken.keys()) or sorted(taken)
    uses = [use for one in mine for use in taken[one]]
    who, several = some([problem.resources[one].id for one in mine]), len(mine) > 1
    span = f"from {problem.instant(min(one.start for one in uses))} to {problem.instant(max(one.end for one in uses))}"
    facts = (Fact("order", crowd.ids[number]), *(Fact("resource", problem.resources[one].id) for one in mine))
    return Named(BESIDE, facts, f"{who} {'are' if several else 'is'} planned for {crowd.ids[number]} {span}.")


def some(names: Sequence[str]) -> str:
    """The first few names, and how many there are besides."""
    few, more = list(names[:MOST_NAMED]), len(names) - MOST_NAMED
    if more > 0:
        return f"{', '.join(few)} and {more} other{'s' if more > 1 else ''}"
    return " and ".join([", ".join(few[:-1]), few[-1]] if len(few) > 1 else few)


def sentence(problem: Problem, clash: Clash, said: tuple[Named, ...]) -> str:
    """The whole set as one sentence, and a second one where it may not be the smallest."""
    operation = problem.operations[clash.operation]
    needs = ", ".join(counted(need.count, need) if need.count > 1 else need.words() for need in clash.needs)
    minutes = f"{operation.length / MINUTE:g} minutes"
    if operation.pin_start is not None:
        end = operation.pin_start + operation.length
        when = f"from {problem.instant(operation.pin_start)} to {problem.instant(end)}"
    else:
        when = f"for {minutes} from {problem.instant(clash.at)} on"
    head = f"Operation {operation.id} needs {needs} {when}" if needs else f"Operation {operation.id} is to stand {when}"
    waits = [problem.operations[one].id for one, _ in operation.after]
    if waits and operation.pin_start is not None and clash.at > operation.pin_start:
        head += f", and {', '.join(waits)}, which it waits for, ends {problem.instant(clash.at)} at the earliest"
    lacks = [f"there {'is' if len(need.candidates) == 1 else 'are'} {counted(len(need.candidates), need)}"
             f"{f' with room for {need.amount}' if need.amount > 1 else ''}" for need in clash.needs
             if len(need.candidates) < need.count]
    parts = "; ".join([*lacks, *_few(said)])
    whole = f"{head}: {parts}." if parts else f"{head}, and there is none free at any time."
    return whole if clash.whole else f"{whole} {CUT}"


def _few(said: Sequence[Named]) -> list[str]:
    """The sentences of the facts without their full stops: a few of each kind, and how many there are besides."""
    found = []
    for kind in dict.fromkeys(one.kind for one in said):
        alike = [one.sentence.removesuffix(".") for one in said if one.kind == kind]
        more = len(alike) - MOST_NAMED
        found += alike[:MOST_NAMED]
        if more > 0:
            what = f"{more} other{'s' if more > 1 else ''}"
            found[-1] += f", and {what} of the orders planned" if kind == BESIDE else f", and {what}"
    return found


def facts(problem: Problem, clash: Clash) -> tuple[Fact, ...]:
    """The operation, the skills it needs, and the facts of the set."""
    operation = problem.operations[clash.operation]
    found = [Fact("operation", operation.id)]
    found += [Fact("skill", need.skill) for need in clash.needs if need.skill]
    found += [Fact("operation", problem.operations[one].id) for one, _ in operation.after]
    return tuple(dict.fromkeys([*found, *(fact for term in clash.terms for fact in term.facts)]))


def _told(problem: Problem, fixed: Fixed, clash: Clash, term: Term) -> str:
    """One fact as a sentence."""
    if term.kind in ("usable", "skill", "calendar"):
        return _of_resources(problem, clash, term)
    subject = term.changes[0].subject
    if term.kind in ("hold", "release"):
        order = problem.orders[subject]
        return f"Order {order.id} keeps what it holds from its first operation to its last." if term.kind == "hold" \
            else f"Order {order.id} is released {problem.instant(order.release)}."
    operation = problem.operations[subject]
    if term.kind == "pause":
        return f"{operation.id} may not pause."
    if term.kind == "lag":
        lags = ", ".join(f"{lag / MINUTE:g} minutes after {problem.operations[one].id}"
                         for one, lag in operation.after if lag)
        return f"{operation.id} starts at least {lags}."
    if term.kind == "pin":
        who = ", ".join(problem.resources[one].id for one in operation.pin_resources)
        start = "" if operation.pin_start is None else f" {problem.instant(operation.pin_start)}"
        return f"{operation.id} is pinned to{start}{' with' if who and start else ''}{' ' + who if who else ''}."
    booking, order_id = fixed.bookings[subject], problem.orders[operation.order].id
    who = ", ".join(fact.id for fact in term.facts if fact.kind == "resource")
    until = problem.instant(booking.end)
    return f"{who} is in hand for {operation.id} of {order_id} until {until}." if term.kind == "hand" else \
        f"{who} is pinned to {operation.id} of {order_id} from {problem.instant(booking.start)} to {until}."


def _of_resources(problem: Problem, clash: Clash, term: Term) -> str:
    """Of one resource what limits it; of several how many and the last to serve."""
    if len(term.changes) == 1:
        return _limit(problem, clash, term.changes[0]) + "."
    last = max(term.changes, key=lambda one: (_until(problem, one), -one.subject))
    kind = problem.resources[last.subject].kind
    name, of = problem.resources[last.subject].id, several(kind, last.skill or None)
    limit = _limit(problem, clash, last)
    return f"None of the {len(term.changes)} {of} can serve. The last who could is {name}: {limit}."


def _until(problem: Problem, change: Change) -> int:
    """Until when a resource can serve by this fact."""
    if change.kind == "calendar":
        return max((end for _, end in problem.spans(change.subject) or ()), default=-NEVER)
    resource = problem.resources[change.subject]
    return (resource.usable if change.kind == "usable" else resource.skills[change.skill])[1]


def _limit(problem: Problem, clash: Clash, change: Change) -> str:
    """What limits a resource, without a full stop."""
    resource = problem.resources[change.subject]
    if change.kind == "calendar":
        return _at_work(problem, clash, change.subject)
    lo, hi = resource.usable if change.kind == "usable" else resource.skills[change.skill]
    past = "was" if hi <= problem.now else "is"
    what = f"{resource.id} {past} usable" if change.kind == "usable" else \
        f"the skill {change.skill} of {resource.id} {past} valid"
    since = f" from {problem.instant(lo)}" if lo > max(problem.now, -NEVER) else ""
    until = f" until {problem.instant(hi)}" if hi < NEVER else ""
    return what + (since + until or " now")


def _at_work(problem: Problem, clash: Clash, index: int) -> str:
    """When somebody is at work, or something may be used, as far as the operation without a place is concerned."""
    resource, spans = problem.resources[index], problem.spans(index) or ()
    name = f"{resource.id} {'is at work' if resource.works else 'may be used'}"
    operation = problem.operations[clash.operation]
    at = clash.at if operation.pin_start is None else operation.pin_start
    left = clipped(spans, at, NEVER)
    if not spans:
        return f"{resource.id} {'is never at work' if resource.works else 'may never be used'}"
    if not left or gone(problem, index):
        return f"{name} until {problem.instant(spans[-1][1])}"
    if operation.pin_start is not None:
        before = [end for start, end in spans if end <= at]
        until = f" until {problem.instant(before[-1])} and" if before else ""
        if left[0][0] > at:
            return f"{name}{until} from {problem.instant(left[0][0])}"
        return f"{name} until {problem.instant(left[0][1])}"
    start, end = longest(left) or (at, at)
    return f"{name} for at most {(end - start) / MINUTE:g} minutes at a stretch, from " \
           f"{problem.instant(start)} to {problem.instant(end)}"
