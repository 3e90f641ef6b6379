"""A change to what was signed voids the signature, in the same transaction as the change."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.dispatch import receiver

from jobs.ledger.actions import Actor
from jobs.orders.models import WorkOrder
from jobs.orders.signals import content_changed
from jobs.signoffs import actions


@receiver(content_changed, dispatch_uid="signoffs.void_changed")
def void_what_no_longer_matches(
    sender: Any, *, order: WorkOrder, by: Actor, at: datetime, what: str, **kwargs: Any
) -> None:
    actions.void_changed(order, by=by, at=at, what=what)
