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
    with claim.finishing(alternatives=len(found)):
        _write(asked, found)


def _write(asked: Planning, found: list[tuple[making.Aim, making.Json, making.Json]]) -> None:
    Plan.objects.bulk_create(
        Plan(
            shop=asked.shop,
            planning=asked,
            title=aim.title,
            problem=stated,
            names=asked.names,
            plan=plan,
            cost=making.cost(stated, plan, before=asked.before),
            marks=asked.marks,
        )
        for aim, stated, plan in found
    )
    Planning.objects.filter(pk=asked.pk).update(finished_at=timezone.now())
