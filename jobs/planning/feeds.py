"""Calendars (RFC 5545) of the plan in force, under links that are signed: nobody can guess one.

A calendar program has no session. Its link carries the number of the person's `Feed` and its issue, signed with the
installation's key; renewing raises the issue. The identification of an entry is that of its operation and stays
through all versions of the plan; SEQUENCE is the version.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

from django.core import signing
from icalendar import Calendar, Event

from jobs.fleet.models import Unit
from jobs.orders.models import WorkOrder
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.planning import out
from jobs.planning.gathering import plan_in_force
from jobs.planning.models import Feed, Place, Plan
from jobs.planning.problem import person_id, place_id

SALT = "midflank.planning.feed"
REFRESH = timedelta(minutes=30)


class NoSuchFeed(LookupError):
    """A link that was never given, was renewed since, or whose owner may not see the plan any more."""


def token_of(feed: Feed) -> str:
    """The secret part of a link; the same each time it is shown."""
    return signing.Signer(salt=SALT).sign_object([feed.pk, feed.issue])


def by_token(token: str) -> Feed:
    """The feed of a link; raises `NoSuchFeed`, whatever is wrong with it."""
    try:
        key, issue = signing.Signer(salt=SALT).unsign_object(token)
    except (signing.BadSignature, ValueError, TypeError):
        raise NoSuchFeed from None
    feed = Feed.objects.filter(pk=key, issue=issue).select_related("owner__shop").first()
    if feed is None or not policies.may(feed.owner, "take-calendar"):
        raise NoSuchFeed
    return feed


def subject_of(feed: Feed) -> Place | Person | Unit | None:
    """The bay, person or unit of the owner's shop; None when it is gone from there."""
    shop = feed.owner.shop
    if feed.kind == Feed.Kind.PLACE:
        return Place.objects.filter(shop=shop, pk=feed.key).first()
    if feed.kind == Feed.Kind.PERSON:
        return Person.objects.filter(shop=shop, pk=feed.key).first()
    return Unit.objects.filter(pk=feed.key).first()


def title_of(subject: Place | Person | Unit | None, shop: Shop) -> str:
    """What the calendar is called in a program."""
    name = subject.number if isinstance(subject, Unit) else subject.name if subject is not None else "gone"
    return f"{name}, {shop.name}"


def rows_of(feed: Feed, plan: Plan | None) -> list[out.Row]:
    """The operations of the plan that concern the subject of a feed."""
    if plan is None:
        return []
    rows = out.rows(plan)
    if feed.kind == Feed.Kind.UNIT:
        orders = WorkOrder.objects.filter(number__in={row.order for row in rows}, unit=int(feed.key))
        numbers = set(orders.values_list("number", flat=True))
        return [row for row in rows if row.order in numbers]
    key = person_id(int(feed.key)) if feed.kind == Feed.Kind.PERSON else place_id(int(feed.key))
    return [row for row in rows if any(used.id == key for used in row.used)]


def calendar_of(feed: Feed) -> bytes:
    """The calendar of a feed as it stands, ready to be sent."""
    shop = feed.owner.shop
    plan = plan_in_force(shop)
    return written(rows_of(feed, plan), plan, title=title_of(subject_of(feed), shop), shop=shop)


def written(rows: Sequence[out.Row], plan: Plan | None, *, title: str, shop: Shop) -> bytes:
    """Rows as a calendar; entries by operation, their times in UTC."""
    calendar = Calendar()
    calendar.add("prodid", "-//Midflank//Plan of a locomotive shop//EN")
    calendar.add("version", "2.0")
    calendar.add("name", title)
    calendar.add("x-wr-calname", title)
    calendar.add("x-wr-timezone", shop.time_zone)
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    for row in rows:
        calendar.add_component(_event(row, plan, shop))
    content: bytes = calendar.to_ical()
    return content


def _event(row: out.Row, plan: Plan | None, shop: Shop) -> Event:
    accepted_at = plan.accepted_at if plan is not None and plan.accepted_at is not None else row.start
    event = Event()
    event.add("uid", uid_of(row, shop))
    event.add("sequence", row.version or 0)
    event.add("dtstamp", _utc(accepted_at))
    event.add("last-modified", _utc(accepted_at))
    event.add("dtstart", _utc(row.start))
    if row.end > row.start:  # RFC 5545, 3.6.1: an end must be later; a moment ends when it begins
        event.add("dtend", _utc(row.end))
    event.add("summary", f"{row.title} of {row.unit}" + (" (hold point)" if row.hold_point else ""))
    if row.places:
        event.add("location", _names(row.places))
    event.add("description", "\n".join(_described(row)))
    event.add("status", "CONFIRMED")
    return event


def uid_of(row: out.Row, shop: Shop) -> str:
    """Stays with the operation through all versions of the plan."""
    return f"{row.operation}@{shop.code}.midflank"


def _described(row: out.Row) -> Iterable[str]:
    yield f"Work order {row.order}"
    for word, used in (("People", row.people), ("Instruments", row.instruments)):
        if used:
            yield f"{word}: {_names(used)}"
    yield f"Plan {row.version}"


def _names(used: Iterable[out.Used]) -> str:
    return ", ".join(one.name for one in used)


def _utc(at: datetime) -> datetime:
    return at.astimezone(UTC)
