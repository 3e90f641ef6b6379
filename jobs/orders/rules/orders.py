"""The states of a work order: what each change of state asks for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from jobs.errors import Reason
from jobs.orders.models import WorkOrder
from jobs.orders.rules.words import listed, state_label, why_not_state

State = WorkOrder.State
BEFORE_WORK = (State.REQUESTED, State.PLANNED, State.RELEASED)
OPEN = (*BEFORE_WORK, State.IN_WORK, State.TO_VERIFY)
FURTHEST_PLAN = timedelta(days=10 * 366)


@dataclass(frozen=True)
class OrderFacts:
    """What stands in the way of a change of state, beside the state itself.

    `other_order` is another order that has the same engine on the floor; `newer` names frozen revisions that
    were superseded since; `drafts` those whose newest revision is not issued.
    """

    number: str
    state: str
    held_from: str = ""
    held_reason: str = ""
    unit: str = ""
    engine: str = ""
    engine_is_in_unit: bool = True
    other_order: str = ""
    missing_revisions: tuple[str, ...] = ()
    drafts: tuple[str, ...] = ()
    newer: tuple[str, ...] = ()
    open_steps: tuple[str, ...] = ()
    undecided_findings: tuple[int, ...] = ()
    steps_wrongly_left_out: tuple[str, ...] = ()
    results_missing: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class Planned:
    """What a planner proposes."""

    bay: str
    start: datetime
    end: datetime
    promised_at: datetime | None = None


@dataclass(frozen=True)
class PlanFacts:
    """People and instruments as they are on the days of the plan.

    `missing_roles` are (field, person, role, day) on which the person does not hold the role, `missing_skills`
    (field, person, skill, day) on which the qualification is not held, `missing_instruments` (kind, day) on which
    the shop has none in date. A day that is over is not looked at: the times say that it is.
    """

    technician: str
    inspector: str
    same_person: bool = False
    not_of_shop: tuple[tuple[str, str], ...] = ()
    missing_roles: tuple[tuple[str, str, str, date], ...] = ()
    missing_skills: tuple[tuple[str, str, str, date], ...] = ()
    missing_instruments: tuple[tuple[str, date], ...] = field(default=())


def why_not_request(*, unit: str, has_engine: bool, needed_by: datetime | None, at: datetime) -> list[Reason]:
    reasons = []
    if not has_engine:
        reasons.append(Reason("no-engine", f"Unit {unit} has no engine in it now; there is nothing to time.", "unit"))
    if needed_by is not None and needed_by <= at:
        reasons.append(Reason("in-the-past", "The unit is needed back at a time that is over.", "needed_by"))
    elif needed_by is not None and needed_by - at > FURTHEST_PLAN:
        reasons.append(_out_of_reach(needed_by, "needed_by"))
    return reasons


def why_not_plan_now(facts: OrderFacts) -> list[Reason]:
    """Why no plan at all can be kept for the order as it stands."""
    return [*_why_not(facts, (State.REQUESTED, State.PLANNED), "plan it"), *_why_not_issued(facts)]


def why_not_plan(facts: OrderFacts, plan: Planned, people: PlanFacts, *, at: datetime) -> list[Reason]:
    return [
        *why_not_plan_now(facts),
        *why_not_times(plan, at=at),
        *why_not_people(people),
    ]


def why_not_place(facts: OrderFacts, bay: str, people: PlanFacts) -> list[Reason]:
    """A plan of the shop places what is before or in work; of the floor it moves what is still to be done."""
    reasons = _why_not(facts, (*BEFORE_WORK, State.IN_WORK), "place it")
    if not bay.strip():
        reasons.append(Reason("no-bay", f"The plan has no bay for {facts.number}.", "bay"))
    return [*reasons, *why_not_people(people)]


def why_not_promise(facts: OrderFacts, promised_at: datetime, *, at: datetime) -> list[Reason]:
    reasons = _why_not(facts, OPEN, "promise it")
    if promised_at <= at:
        reasons.append(Reason("in-the-past", "The promise is for a time that is over.", "promised_at"))
    elif promised_at - at > FURTHEST_PLAN:
        reasons.append(_out_of_reach(promised_at, "promised_at"))
    return reasons


def why_not_times(plan: Planned, *, at: datetime) -> list[Reason]:
    reasons = []
    if not plan.bay.strip():
        reasons.append(Reason("no-bay", "Name the bay.", "bay"))
    if plan.end <= plan.start:
        reasons.append(Reason("times-reversed", "The work would end before it starts.", "planned_end"))
    if plan.end <= at:
        reasons.append(Reason("in-the-past", "The planned end is over already.", "planned_end"))
    if plan.promised_at is not None and plan.promised_at < plan.end:
        reasons.append(Reason("promise-too-early", "The promise is before the planned end.", "promised_at"))
    return reasons


def why_not_in_reach(plan: Planned, *, at: datetime) -> list[Reason]:
    """Times that nobody plans for: a slip of the pen, and out of what a calendar can turn into a day."""
    given = (("planned_start", plan.start), ("planned_end", plan.end), ("promised_at", plan.promised_at))
    return [
        _out_of_reach(instant, name)
        for name, instant in given
        if instant is not None and abs(instant - at) > FURTHEST_PLAN
    ]


def _out_of_reach(instant: datetime, field_name: str) -> Reason:
    return Reason("out-of-reach", f"{instant.year} is not a year to plan for.", field_name)


def why_not_people(people: PlanFacts) -> list[Reason]:
    """Why these people or instruments cannot do the job on the days of the plan."""
    reasons = []
    if people.same_person:
        sentence = f"{people.technician} cannot both do the work and verify it. Name another inspector."
        reasons.append(Reason("same-person", sentence, "inspector"))
    for name, person in people.not_of_shop:
        reasons.append(Reason("not-of-shop", f"{person} does not work in this shop now.", name))
    for (name, person, role), days in _by_day(people.missing_roles):
        reasons.append(Reason("wrong-role", f"{person} is not {_article(role)} {role} on {days}.", name))
    for (name, person, skill), days in _by_day(people.missing_skills):
        reasons.append(Reason("not-qualified", f"{person} is not qualified on {days} to “{skill}”.", name))
    for (kind,), days in _by_day(people.missing_instruments):
        reasons.append(Reason("no-instrument", f"The shop has no {kind} in date on {days}."))
    return reasons


def _by_day(missing: Iterable[tuple[Any, ...]]) -> list[tuple[tuple[str, ...], str]]:
    """What is missing, each once, with all of its days in words; the day stands last in each of `missing`."""
    found: dict[tuple[str, ...], list[date]] = {}
    for *what, day in missing:
        found.setdefault(tuple(what), []).append(day)
    return [(what, listed(_words(day) for day in days)) for what, days in found.items()]


def why_not_release(facts: OrderFacts, people: PlanFacts | None = None) -> list[Reason]:
    """A planned order goes to the floor; a released one only again, when what it froze was superseded.

    `people` are those of the plan, looked at again on its day; None leaves them out.
    """
    allowed = [State.PLANNED, State.RELEASED] if facts.newer else [State.PLANNED]
    return [
        *_why_not(facts, allowed, "release it"),
        *_why_not_issued(facts),
        *_why_not_newest(facts),
        *_why_not_engine(facts),
        *(why_not_people(people) if people is not None else []),
    ]


def why_not_start(facts: OrderFacts) -> list[Reason]:
    reasons = [*_why_not(facts, (State.RELEASED,), "start work"), *_why_not_engine(facts)]
    for newer in facts.newer:
        sentence = f"{newer} was issued after {facts.number} was released. Have the planner release it again."
        reasons.append(Reason("superseded-revision", sentence))
    return reasons


def why_not_hold(facts: OrderFacts) -> list[Reason]:
    return _why_not(facts, OPEN, "hold it")


def why_not_resume(facts: OrderFacts) -> list[Reason]:
    reasons = why_not_state(facts.number, facts.state, (State.HELD,), "let it go on")
    if facts.held_from not in {State.REQUESTED, State.PLANNED}:
        reasons += _why_not_other_order(facts)
    return reasons


def why_not_cancel(facts: OrderFacts) -> list[Reason]:
    state = facts.held_from if facts.state == State.HELD else facts.state
    if state in BEFORE_WORK:
        return []
    if state in {State.CLOSED, State.CANCELLED}:
        return [Reason("wrong-state", f"{facts.number} is {state_label(state)} already.")]
    sentence = f"Work on {facts.number} has started, so it cannot be cancelled. Bring the engine back and close it."
    return [Reason("work-started", sentence)]


def why_not_to_verify(facts: OrderFacts) -> list[Reason]:
    reasons = _why_not(facts, (State.IN_WORK,), "hand it over to be verified")
    if facts.open_steps:
        one = len(facts.open_steps) == 1
        shown = listed([*facts.open_steps[:4], *(["more"] if len(facts.open_steps) > 4 else [])])
        sentence = f"{'A step is' if one else f'{len(facts.open_steps)} steps are'} still open: {shown}."
        reasons.append(Reason("open-steps", sentence))
    for title in facts.steps_wrongly_left_out:
        sentence = f"{title} was left out, but the as-found verdict is not conforming. It must be done."
        reasons.append(Reason("left-out", sentence))
    return [*reasons, *_why_not_decided(facts), *facts.results_missing]


def why_not_back_in_work(facts: OrderFacts) -> list[Reason]:
    state = facts.held_from if facts.state == State.HELD else facts.state
    return why_not_state(facts.number, state, (State.TO_VERIFY,), "send it back in work")


def why_not_close(facts: OrderFacts) -> list[Reason]:
    reasons = _why_not(facts, (State.TO_VERIFY,), "close it")
    if facts.open_steps:
        reasons.append(Reason("open-steps", f"Steps are open again: {listed(facts.open_steps)}."))
    return [*reasons, *_why_not_decided(facts), *facts.results_missing]


def why_not_reopen(facts: OrderFacts) -> list[Reason]:
    return [
        *_why_not(facts, (State.CLOSED,), "reopen it"),
        *(_why_not_engine(facts) if facts.state == State.CLOSED else []),
    ]


def _why_not(facts: OrderFacts, allowed: tuple[State, ...] | list[State], doing: str) -> list[Reason]:
    return why_not_state(facts.number, facts.state, allowed, doing, held_reason=facts.held_reason)


def _why_not_issued(facts: OrderFacts) -> list[Reason]:
    return [Reason("not-issued", f"No revision of {name} is issued yet.") for name in facts.missing_revisions]


def _why_not_newest(facts: OrderFacts) -> list[Reason]:
    return [
        Reason("newer-draft", f"{name} is the newest and is not issued yet. Have it issued before you release.")
        for name in facts.drafts
    ]


def _why_not_engine(facts: OrderFacts) -> list[Reason]:
    reasons = _why_not_other_order(facts)
    if not facts.engine_is_in_unit:
        sentence = f"Engine {facts.engine} is not in unit {facts.unit} now. Cancel this order and request a new one."
        reasons.append(Reason("engine-moved", sentence))
    return reasons


def _why_not_other_order(facts: OrderFacts) -> list[Reason]:
    if not facts.other_order:
        return []
    sentence = f"Engine {facts.engine} is on the floor under {facts.other_order} already. Close that one first."
    return [Reason("engine-in-work", sentence)]


def _why_not_decided(facts: OrderFacts) -> list[Reason]:
    if not facts.undecided_findings:
        return []
    numbers = listed(str(number) for number in facts.undecided_findings)
    plural = "s" if len(facts.undecided_findings) > 1 else ""
    return [Reason("undecided-finding", f"Finding{plural} {numbers} must be decided first.")]


def _words(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _article(noun: str) -> str:
    return "an" if noun[0] in "aeiou" else "a"
