"""Facts of a problem let go or changed, one at a time: what an explanation tries out.

`changed` gives a problem of its own; the one it comes from stays as it is. A change of a resource reaches all needs,
so candidates are worked out anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from analysis.schedule.calendars import merged
from analysis.schedule.model import DAY, NEVER, Candidate, Need, Operation, Problem, Resource, Spans
from analysis.schedule.reading import able

OF_RESOURCES = ("usable", "skill", "calendar", "more")
EVER = (-NEVER, NEVER)
GONE = 14 * DAY                     # before the last working time there is at all: so early no rota ends by itself


@dataclass(frozen=True)
class Change:
    """One fact as it would be instead. What `subject` is an index of, and `value` is, depends on `kind`.

    usable, skill: resource, (from, until) · calendar: resource, spans added, None for always at work ·
    pin: operation, (start,), None for none, resources let go as well · hand: operation in hand, (remaining
    microseconds,), None for none and nothing taken · beside: number of a planned order, which is no part of the
    problem · lag: operation, None for following at once ·
    pause: operation · hold, release: order, (release,) or None for ever · more: resource of which there is one more,
    without the validities of the one that is there
    """

    kind: str
    subject: int
    value: tuple[int, ...] | Spans | None = None
    skill: str = ""


def changed(problem: Problem, changes: Iterable[Change]) -> Problem:
    """A copy of the problem with the changes made."""
    made = replace(problem, calendars=list(problem.calendars), resources=list(problem.resources),
                   orders=[replace(one) for one in problem.orders], previous=dict(problem.previous),
                   operations=[replace(one) for one in problem.operations], left_out=list(problem.left_out))
    touched = False
    for change in changes:
        if change.kind in OF_RESOURCES:
            _resource(made, change)
            touched = touched or change.kind != "calendar"
        elif change.kind == "hold":
            for index in made.orders[change.subject].operations:
                one = made.operations[index]
                one.needs = tuple(replace(need, group=-1) for need in one.needs)
        elif change.kind == "release":
            made.orders[change.subject].release = -NEVER if change.value is None else _whole(change.value)
        elif change.kind != "beside":
            _operation(made, made.operations[change.subject], change)
    if touched:
        known: dict[Name, tuple[Candidate, ...]] = {}
        out = {entry.order for entry in made.left_out}
        for one in made.operations:
            if one.state == "planned" and made.orders[one.order].id not in out:
                one.needs = tuple(_anew(made.resources, need, known) for need in one.needs)
    return made


def gone(problem: Problem, resource: int) -> bool:
    """Whether a thing is lost for good: its working time ends long before that of others, or there never is any.

    Not so of people: those who are there may mostly work longer instead.
    """
    spans = problem.spans(resource)
    last = max((known[-1][1] for known in problem.calendars if known), default=-NEVER)
    return spans is not None and not problem.resources[resource].works and (not spans or spans[-1][1] < last - GONE)


def _whole(value: Sequence[int | tuple[int, int]]) -> int:
    one = value[0]
    return one if isinstance(one, int) else one[0]


def _resource(problem: Problem, change: Change) -> None:
    resource = problem.resources[change.subject]
    pair = EVER if change.value is None or change.kind in ("calendar", "more") else _pair(change.value)
    if change.kind == "usable":
        problem.resources[change.subject] = replace(resource, usable=pair)
    elif change.kind == "skill":
        problem.resources[change.subject] = replace(resource, skills={**resource.skills, change.skill: pair})
    elif change.kind == "more":
        problem.resources.append(replace(resource, index=len(problem.resources), id=f"{resource.id} +", usable=EVER,
                                         skills=dict.fromkeys(resource.skills, EVER)))
    elif change.value is None:
        problem.resources[change.subject] = replace(resource, calendar=None)
    else:
        more = [span for span in change.value if isinstance(span, tuple)]
        problem.calendars.append(merged([*(problem.spans(change.subject) or ()), *more]))
        problem.calendar_names = [*problem.calendar_names, problem.calendar_names[resource.calendar or 0]]
        problem.resources[change.subject] = replace(resource, calendar=len(problem.calendars) - 1)


def _pair(value: Sequence[int | tuple[int, int]]) -> tuple[int, int]:
    lo, hi = (one for one in value if isinstance(one, int))
    return lo, hi


def _operation(problem: Problem, operation: Operation, change: Change) -> None:
    if change.kind == "pin":
        operation.pin_start = None if change.value is None else _whole(change.value)
        operation.pin_resources = ()
    elif change.kind == "lag":
        operation.after = tuple((before, 0) for before, _ in operation.after)
    elif change.kind == "pause":
        operation.may_pause = True
    elif change.value is None:
        operation.needs, operation.pin_resources = (), ()
        if operation.index in problem.previous:
            problem.previous[operation.index] = (problem.previous[operation.index][0], ())
    else:
        operation.remaining = _whole(change.value)


Name = tuple[str | None, tuple[str, ...] | None, str | None, int]


def _anew(resources: Sequence[Resource], need: Need, known: dict[Name, tuple[Candidate, ...]]) -> Need:
    """The need with its candidates as they are now; needs read alike share one tuple of them again."""
    name = (need.kind, need.any_of, need.skill, need.amount)
    if name not in known:
        known[name] = tuple(able(resources, need))
    return replace(need, candidates=known[name])
