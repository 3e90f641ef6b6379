"""Giving and renewing the links of calendars; each person has their own."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from jobs.errors import BadInput, Reason, WrongPerson
from jobs.ledger import actions as ledger
from jobs.people import policies
from jobs.people.models import Person
from jobs.planning import feeds
from jobs.planning.models import Feed


@transaction.atomic
def give_feed(*, kind: str, key: str, by: Person, at: datetime) -> Feed:
    """The link of a person to the calendar of a bay, person or unit; the same one when it was given before."""
    policies.require(by, "take-calendar")
    feed = Feed(owner=by, kind=kind, key=key, renewed_at=at)
    if kind not in Feed.Kind.values or not key.isdecimal() or feeds.subject_of(feed) is None:
        raise BadInput([Reason("subject", "Choose a bay, a person or a unit of the shop.", "what")])
    held, made = Feed.objects.get_or_create(owner=by, kind=kind, key=key, defaults={"renewed_at": at})
    if made:
        _record("feed.given", held, "given", by=by, at=at)
    return held


@transaction.atomic
def renew_feed(feed: Feed, *, by: Person, at: datetime) -> Feed:
    """Make a link worthless and give another; the calendar program must be told the new one."""
    policies.require(by, "take-calendar")
    held = Feed.objects.select_for_update(of=("self",)).select_related("owner__shop").get(pk=feed.pk)
    if held.owner_id != by.pk:
        raise WrongPerson(f"This link belongs to {held.owner.name}; each renews their own.")
    held.issue, held.renewed_at = held.issue + 1, at
    held.save(update_fields=["issue", "renewed_at"])
    _record("feed.renewed", held, "renewed", by=by, at=at)
    return held


def _record(kind: str, feed: Feed, what: str, *, by: Person, at: datetime) -> None:
    title = feeds.title_of(feeds.subject_of(feed), by.shop)
    sentence = f"Calendar link of {by.name} to the plan of {title} {what}."
    data = {"kind": feed.kind, "key": feed.key, "issue": feed.issue}
    ledger.append(kind, chain=by.shop.code, by=by, at=at, sentence=sentence, about=[by], data=data)
