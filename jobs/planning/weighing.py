"""The errand `weigh-additions`: accepted plans made again with one thing added at a time."""

from __future__ import annotations

from typing import Any

from jobs.errands.registry import handles
from jobs.errands.work import CannotBeDone, Claim
from jobs.planning import worth
from jobs.planning.actions.worth import WEIGH
from jobs.planning.models import Plan


@handles(WEIGH, "weighing what one more would have been worth")
def weigh(claim: Claim) -> None:
    """Each plan by itself; one that cannot be made again says why and holds up no other."""
    from analysis.schedule.plan import PlanBroken, plan
    from analysis.schedule.values import ProblemRefused

    plans = list(Plan.objects.filter(pk__in=claim.arguments["plans"]).select_related("shop").order_by("version"))
    weeks: list[dict[str, Any]] = []
    steps = [2 + len(worth.additions(one.problem, one.shop.zone, one.names)) for one in plans]
    done = 0
    for one, count in zip(plans, steps, strict=True):
        assert one.accepted_at is not None
        about = {"plan": one.pk, "version": one.version, "accepted_at": one.accepted_at.isoformat()}

        def step(what: str, version: int | None = one.version) -> None:
            nonlocal done
            claim.progress(done, sum(steps), f"plan {version} {what}")
            done += 1

        before = done
        try:
            found = worth.weighed(
                one.problem, one.shop.zone, one.names, seconds=claim.arguments["seconds"], planner=plan, step=step
            )
        except (ProblemRefused, PlanBroken) as refused:
            found = {"failure": str(refused)}
        done = before + count
        weeks.append({**about, **found})
    if not weeks:
        raise CannotBeDone("The plans that were to be made again are not there any more.")
    with claim.finishing(weeks=weeks):
        pass
