"""How busy a synthetic shop is, what no plan of it can avoid, and what a day that goes wrong moves by itself."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.schedule.build import Builder
from analysis.schedule.calendars import clipped
from analysis.schedule.exact_windows import rates, soonest_of
from analysis.schedule.fixed import fix
from analysis.schedule.model import MINUTE, NEVER, Operation, Problem, Resource
from analysis.schedule.outcome import Outcome
from analysis.schedule.plan import Stand, outcome_of
from analysis.schedule.problem import read
from analysis.schedule.serial import Scheme, edd
from tests.bench.shop_work import Json


@dataclass(frozen=True)
class Listed:
    """The list schedule by due date: its weighted tardiness and what no plan can avoid of it, in weighted minutes.

    `bays` is the share of all hours of all bays, nights and weekends with them, that orders have them from first start
    to last end of the plan; `people` and `skill` are the shares of the hours in which people, and those with the skill
    asked for most, are there. A skill's hours are also those of its other skills, so 1 is out of reach.
    """

    tardiness: float
    bound: float
    bays: float
    people: float
    skill: float


def listed(problem: Json) -> Listed:
    """Make the list schedule; raises ValueError when an order has no place in it."""
    record = read(problem)
    fixed = fix(record)
    scheme = Scheme(Builder(record, fixed, record.weights))
    board, costs, lost = scheme.decoded(edd(scheme))
    if lost:
        raise ValueError(f"{lost} orders have no place in the list schedule.")
    outcome = outcome_of(record, Stand(fixed, scheme, board, costs, ""))
    alone = soonest_of(record, fixed, scheme.jobs)
    bound = sum(rate * max(0, max(alone[one][1] for one in order.operations) - at)
                for order in record.orders for at, rate in rates(record, order))
    return Listed(scheme.cost(board, costs), bound, *_shares(record, outcome))


def _shares(record: Problem, outcome: Outcome) -> tuple[float, float, float]:
    start = min(one.start for one in outcome.bookings.values())
    end = max(one.end for one in outcome.bookings.values())
    bays = [one for one in record.resources if one.kind == "bay"]
    taken = 0
    for order in record.orders:
        places = [outcome.bookings[one] for one in order.operations
                  if any(record.resources[used].kind == "bay" for used in outcome.bookings[one].resources)]
        taken += max(one.end for one in places) - min(one.start for one in places)
    people = [one for one in record.resources if one.kind == "person"]
    work: dict[str, int] = {}
    for operation in record.operations:
        for need in operation.needs:
            if need.skill is not None:
                work[need.skill] = work.get(need.skill, 0) + need.count * operation.length
    skills = [spent / sum(_there(record, one, start, end, skill) for one in people if skill in one.skills)
              for skill, spent in work.items()]
    return (taken / (len(bays) * (end - start)), sum(work.values()) / sum(_there(record, one, start, end)
                                                                          for one in people), max(skills))


def _there(record: Problem, person: Resource, start: int, end: int, skill: str | None = None) -> int:
    low, high = person.skills[skill] if skill is not None else (-NEVER, NEVER)
    spans = record.spans(person.index) or ((start, end),)
    return sum(last - first for first, last in clipped(spans, max(start, low), min(end, high)))


def cannot_stay(problem: Json) -> int:
    """How many planned operations cannot stay where the plan in force has them, whatever all others do.

    Their start is before they could start in an empty shop, or what they have is not there, not able or not usable.
    """
    record = read(problem)
    fixed = fix(record)
    scheme = Scheme(Builder(record, fixed, record.weights))
    alone = soonest_of(record, fixed, scheme.jobs)
    return sum(alone[index][0] > start or not all(_serves(record, record.operations[index], one, start)
                                                  for one in named or ())
               for index, (start, named) in record.previous.items()
               if record.operations[index].state == "planned" and index in alone)


def _serves(record: Problem, operation: Operation, resource: int, start: int) -> bool:
    end = start + (MINUTE if operation.may_pause and operation.length else operation.length)
    spans = record.spans(resource) or ((-NEVER, NEVER),)
    if not any(first <= start and end <= last for first, last in spans):
        return False
    return any(one.resource == resource and one.lo <= start and start + operation.length <= one.hi
               for need in operation.needs for one in need.candidates)
