"""The errand `make-plan`: look for the alternatives of a planning, check each, write them once."""

from __future__ import annotations

from typing import Any

from django.utils import timezone

from jobs.errands.registry import handles
from jobs.errands.work import CannotBeDone, Claim
from jobs.planning import making
from jobs.planning.actions.plans import MAKE_PLAN
from jobs.planning.models import Plan, Planning
from jobs.planning.wording import said


def _given_up(claim: Claim, reason: str) -> None:
    Planning.objects.filter(pk=claim.arguments["planning"]).update(failure=reason, finished_at=timezone.now())


@handles(MAKE_PLAN, "making a plan", given_up=_given_up)
def make_plan(claim: Claim) -> None:
    """Alternatives of one planning, each of which passed the checker of `analysis.schedule`."""
    from analysis.schedule.values import ProblemRefused

    asked = Planning.objects.select_related("shop").get(pk=claim.arguments["planning"])
    problem: dict[str, Any] = asked.problem or {}
    try:
        found = list(making.alternatives(problem, seconds=asked.seconds, progress=claim.progress))
    except ProblemRefused as refused:
        raise CannotBeDone(said(refused.message, asked.names, asked.shop.zone)) from refused
    kept = _called(asked, found)
    with claim.finishing(alternatives=len(kept)):
        _write(asked, kept)


def _write(asked: Planning, kept: list[Plan]) -> None:
    Plan.objects.bulk_create(kept)
    Planning.objects.filter(pk=asked.pk).update(finished_at=timezone.now())


def _called(asked: Planning, found: list[tuple[making.Aim, making.Json, making.Json]]) -> list[Plan]:
    """The plans found with their costs, each called by what it is best at; those best at nothing are left out."""
    costs = [making.cost(stated, plan, before=asked.before) for _, stated, plan in found]
    titles = making.titled([(aim, cost) for (aim, _, _), cost in zip(found, costs, strict=True)])
    return [
        Plan(
            shop=asked.shop,
            planning=asked,
            title=title,
            problem=stated,
            names=asked.names,
            plan=plan,
            cost=cost,
            marks=asked.marks,
        )
        for (_, stated, plan), cost, title in zip(found, costs, titles, strict=True)
        if title
    ]
