"""What every action on a work order does alike: lock, look who asks, record, announce."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from django.db import models
from django.http import Http404

from jobs.errors import refuse
from jobs.ledger import actions as ledger
from jobs.ledger.actions import Actor
from jobs.orders import queries, rules
from jobs.orders.models import WorkOrder
from jobs.orders.signals import content_changed
from jobs.people import policies
from jobs.people.models import Person


def locked_for(pk: int, *, by: Person, action: str, seen_revision: int | None = None) -> WorkOrder:
    """The order with its row locked, for somebody who may do the action.

    Raises Http404 for an order of another shop, `WrongPerson`, and `NotAllowed` when the order is no longer
    as it was when `seen_revision` was read.
    """
    order = queries.locked_order(pk)
    if order.shop_id != by.shop_id:
        raise Http404("There is no such work order in your shop.")
    policies.require(by, action)
    refuse(rules.why_not_stale(order.number, order.revision, seen_revision))
    return order


def save(order: WorkOrder, *fields: str) -> None:
    """Write the named fields of a locked order and count the change."""
    order.revision += 1
    order.save(update_fields=[*fields, "revision"])


def record(
    kind: str,
    order: WorkOrder,
    *,
    by: Actor,
    at: datetime,
    sentence: str,
    about: Iterable[models.Model] = (),
    data: Mapping[str, Any] | None = None,
) -> None:
    """Append to the shop's ledger, about the order, its unit, engine, the acting person, and `about`."""
    person = [by] if isinstance(by, Person) else []
    ledger.append(
        kind,
        chain=order.shop.code,
        by=by,
        at=at,
        sentence=sentence,
        about=[order, order.unit, order.engine, *person, *about],
        data=data,
    )


def announce(order: WorkOrder, *, by: Actor, at: datetime, what: str) -> None:
    """Tell the rooms above that what sign-offs cover has changed; the last thing in an action."""
    content_changed.send(sender=WorkOrder, order=order, by=by, at=at, what=what)


def local(at: datetime, order: WorkOrder) -> datetime:
    """An instant in the shop's own time, for the day on which things are in date or qualified."""
    return at.astimezone(order.shop.zone)
