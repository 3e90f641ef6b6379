"""Asking what one more bay, shift, instrument or person would have been worth in the past weeks."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.db import transaction

from jobs.errands import actions as errands
from jobs.errands.models import Errand
from jobs.errors import NotAllowed, Reason, refuse
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.planning.models import Plan

WEIGH = "weigh-additions"
WEEKS = 6
SECONDS = 1.5


def plans_of(shop: Shop, at: datetime) -> list[Plan]:
    """The version with which each of the past weeks and this one began: the first accepted in it, oldest first."""
    since = at - timedelta(weeks=WEEKS)
    accepted = Plan.objects.filter(shop=shop, version__isnull=False, accepted_at__gte=since).order_by("version")
    weeks: dict[date, Plan] = {}
    for plan in accepted.only("pk", "version", "accepted_at"):
        assert plan.accepted_at is not None
        day = plan.accepted_at.astimezone(shop.zone).date()
        weeks.setdefault(day - timedelta(days=day.weekday()), plan)
    return list(weeks.values())[-WEEKS:]


@transaction.atomic
def ask_worth(*, by: Person, at: datetime) -> Errand:
    """Ask a worker to plan the past weeks again with one thing added at a time; the same plans are weighed once."""
    policies.require(by, "keep-calendars")
    plans = plans_of(by.shop, at)
    if not plans:
        sentence = f"No plan was accepted in the past {WEEKS} weeks, so there is nothing to make again."
        refuse([Reason("no-plan", sentence)], NotAllowed)
    keys = [plan.pk for plan in plans]
    subject = f"{by.shop.code}:{','.join(map(str, keys))}"
    found = errands.ask(
        WEIGH, subject=subject, chain=by.shop.code, arguments={"plans": keys, "seconds": SECONDS}, asked_by=by.name
    )
    if found.state == Errand.State.FAILED:
        errands.ask_again(found)
    return found


def latest(shop: Shop) -> Errand | None:
    """The weighing asked for last, under way or done."""
    return Errand.objects.filter(kind=WEIGH, chain=shop.code).order_by("-created_at").first()
