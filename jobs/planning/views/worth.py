"""The page that says what one more bay, shift, instrument or person would have been worth."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from jobs.errands.models import Errand
from jobs.people import policies
from jobs.planning import worth
from jobs.planning.actions import worth as actions
from jobs.web.http import PersonRequest

BAR = 160


@require_http_methods(["GET", "POST"])
def worth_of_one_more(request: PersonRequest) -> HttpResponse:
    """Show what was weighed last, and ask to weigh the past weeks."""
    policies.require(request.user, "keep-calendars")
    now = timezone.now()
    if request.method == "POST":
        actions.ask_worth(by=request.user, at=now)
        return redirect("plan-worth")
    errand = actions.latest(request.user.shop)
    plans = actions.plans_of(request.user.shop, now)
    context: dict[str, Any] = {"errand": errand, "plans": plans}
    done = errand is not None and errand.state == Errand.State.DONE
    if errand is not None and done:
        context |= _shown(errand.outcome["weeks"])
        context["newer"] = bool(plans) and [one.pk for one in plans] != errand.arguments["plans"]
    # The same plans weighed again would come to the same: then there is nothing to ask.
    failed = errand is not None and errand.state == Errand.State.FAILED
    context["may_ask"] = bool(plans) and (errand is None or failed or context.get("newer", False))
    return render(request, "planning/worth.html", context)


def _shown(weeks: list[dict[str, Any]]) -> dict[str, Any]:
    """The additions together with their bars, and the plans they were weighed on."""
    rows = worth.together(weeks)
    most = max((one["saved"] for one in rows), default=0.0)
    for one in rows:
        one["drawn"] = round(BAR * max(0.0, one["saved"]) / most, 2) if most > 0 else 0
        one["by_plan"] = [_saved_in(week, one["code"]) for week in weeks]
    for week in weeks:
        week["accepted_at"] = datetime.fromisoformat(week["accepted_at"])
    apart = sum(week.get("apart", 0.0) for week in weeks)
    return {"rows": rows, "weeks": weeks, "apart": apart, "hours": sum(week.get("hours", 0.0) for week in weeks)}


def _saved_in(week: dict[str, Any], code: str) -> float | None:
    return next((one["saved"] for one in week.get("additions", []) if one["code"] == code), None)
