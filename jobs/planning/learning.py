"""How long operations really took: median and spread over finished orders, beside what is planned for them."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from django.db.models import Prefetch

from jobs.orders.models import OrderStep, Procedure, WorkOrder
from jobs.orders.queries import current_revision
from jobs.people.models import Shop
from jobs.planning import operations
from jobs.planning.gathering import step_facts
from jobs.planning.models import CraneUse, Estimate

MOST_ORDERS = 200
LONGEST = timedelta(hours=12)  # what lasted longer ran over a break between shifts, and tells nothing of the work
FEWEST = 3


@dataclass(frozen=True)
class Learnt:
    """Minutes from the end of the operation before to the end of this one.

    `low` and `high` are the quartiles; all three are None below `FEWEST` orders. `left_out` counts those that ran
    over a break.
    """

    median: int | None
    low: int | None
    high: int | None
    orders: int
    left_out: int


@dataclass(frozen=True)
class Minutes:
    """One operation of a procedure: what its steps add up to, what the planner entered, what it took, whether it
    needs the crane, and whether it is a hold point."""

    code: str
    title: str
    of_steps: int
    entered: int | None
    learnt: Learnt
    crane: bool = False
    hold: bool = False

    @property
    def planned(self) -> int:
        return self.of_steps if self.entered is None else self.entered


def minutes_of(shop: Shop, procedure: Procedure) -> list[Minutes]:
    """Every operation of the procedure's current revision; none while no revision is issued."""
    revision = current_revision(procedure)
    if revision is None:
        return []
    steps = [step_facts(one) for one in revision.steps.select_related("skill")]
    entered = dict(Estimate.objects.filter(shop=shop, procedure=procedure).values_list("operation", "minutes"))
    uses = CraneUse.objects.filter(shop=shop, procedure=procedure)
    cranes = set(uses.values_list("operation", flat=True))
    took = _took(shop, procedure)
    return [
        Minutes(one.code, one.title, one.minutes, entered.get(one.code), learnt(took.get(one.code, [])),
                one.code in cranes, one.second_person)
        for one in operations.of_steps(steps)
    ]  # fmt: skip


def learnt(lasted: Sequence[timedelta]) -> Learnt:
    """Median and quartiles in whole minutes (inclusive method of `statistics.quantiles`)."""
    within = sorted(one.total_seconds() / 60 for one in lasted if one <= LONGEST)
    left_out = len(lasted) - len(within)
    if len(within) < FEWEST:
        return Learnt(None, None, None, len(within), left_out)
    low, middle, high = statistics.quantiles(within, n=4, method="inclusive")
    return Learnt(round(middle), round(low), round(high), len(within), left_out)


def _took(shop: Shop, procedure: Procedure) -> dict[str, list[timedelta]]:
    steps = OrderStep.objects.select_related("definition__skill").order_by("position")
    closed = (
        WorkOrder.objects.filter(shop=shop, procedure=procedure, state=WorkOrder.State.CLOSED, started_at__isnull=False)
        .order_by("-closed_at")
        .prefetch_related(Prefetch("steps", steps))[:MOST_ORDERS]
    )
    found: dict[str, list[timedelta]] = {}
    for order in closed:
        for code, lasted in lasting(order.steps.all(), order):
            found.setdefault(code, []).append(lasted)
    return found


def lasting(steps: Iterable[OrderStep], order: WorkOrder) -> Iterable[tuple[str, timedelta]]:
    """(operation, how long it took) of an order's operations that took any time; steps not needed took none."""
    facts = [step_facts(one.definition, done=True, done_at=one.done_at) for one in steps]
    needed = {one.position for one in steps if one.state == OrderStep.State.DONE}
    for operation in operations.of_steps(facts, begun_at=order.started_at):
        if operation.started_at is None or operation.ended_at is None or not needed & set(operation.positions):
            continue
        if operation.ended_at > operation.started_at:
            yield operation.code, operation.ended_at - operation.started_at
