"""Calendars for other programs: the page of one's links, and the calendars themselves."""

from __future__ import annotations

import hashlib

from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import patch_cache_control
from django.views.decorators.http import condition, require_GET, require_http_methods, require_POST

from jobs.people import policies
from jobs.planning import feeds
from jobs.planning.actions.feeds import give_feed, renew_feed
from jobs.planning.forms.out import FeedForm
from jobs.planning.gathering import plan_in_force
from jobs.planning.models import Feed
from jobs.web.http import PersonRequest


@require_http_methods(["GET", "POST"])
def links(request: PersonRequest) -> HttpResponse:
    """One's links to the calendars of bays, people and units."""
    policies.require(request.user, "take-calendar")
    form = FeedForm(request.user, request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.carried_out(give_feed, by=request.user, at=timezone.now()):
        title = feeds.title_of(feeds.subject_of(form.outcome), request.user.shop)
        messages.success(request, f"The link to the plan of {title} is below.")
        return redirect("plan-feeds")
    held = [
        (feed, feeds.title_of(feeds.subject_of(feed), request.user.shop), _address(request, feed))
        for feed in Feed.objects.filter(owner=request.user).select_related("owner__shop")
    ]
    return render(request, "planning/feeds.html", {"form": form, "held": held}, status=form.status)


@require_POST
def renew(request: PersonRequest, pk: int) -> HttpResponse:
    """Make one's link worthless and give another."""
    policies.require(request.user, "take-calendar")
    feed = get_object_or_404(Feed, pk=pk, owner__shop=request.user.shop)
    renew_feed(feed, by=request.user, at=timezone.now())
    messages.success(request, "The old link gives nothing any more; tell your calendar program the new one.")
    return redirect("plan-feeds")


def _address(request: HttpRequest, feed: Feed) -> str:
    return request.build_absolute_uri(reverse("plan-feed", args=[feeds.token_of(feed)]))


def _mark(request: HttpRequest, token: str) -> str | None:
    """The entity tag of a calendar: another for each version, so that a program fetches nothing twice."""
    try:
        feed = feeds.by_token(token)
    except feeds.NoSuchFeed:
        return None
    plan = plan_in_force(feed.owner.shop)
    state = f"{feed.pk}:{feed.issue}:{plan.pk if plan is not None else 0}"
    return f'"{hashlib.sha256(state.encode()).hexdigest()[:32]}"'


@login_not_required
@require_GET
@condition(etag_func=_mark)
def calendar(request: HttpRequest, token: str) -> HttpResponse:
    """The calendar of a link (RFC 5545), for whoever holds it."""
    try:
        feed = feeds.by_token(token)
    except feeds.NoSuchFeed:
        raise Http404("This link gives no calendar. It was renewed, or it was never given.") from None
    response = HttpResponse(feeds.calendar_of(feed), content_type="text/calendar; charset=utf-8")
    response["Content-Disposition"] = 'inline; filename="plan.ics"'
    response["X-Robots-Tag"] = "noindex"  # its address is the secret that names the calendar
    patch_cache_control(response, private=True, max_age=300)
    return response
