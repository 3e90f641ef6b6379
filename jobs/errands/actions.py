"""Asking for work: one row, woken after commit."""

from __future__ import annotations

import logging
from functools import partial
from typing import Any
from uuid import UUID

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from jobs.errands import registry
from jobs.errands.models import Errand

log = logging.getLogger(__name__)


def ask(
    kind: str, *, subject: str, chain: str, arguments: dict[str, Any], asked_by: str = "", attempts_allowed: int = 3
) -> Errand:
    """Ask a worker for a piece of work; the same kind and subject asked twice is the same errand.

    Called inside the transaction that makes the work necessary, so that neither exists without the other.
    """
    registry.get(kind)
    errand, made = Errand.objects.get_or_create(
        once_key=f"{kind}:{subject}",
        defaults={
            "kind": kind,
            "chain": chain,
            "arguments": arguments,
            "asked_by": asked_by,
            "attempts_allowed": attempts_allowed,
        },
    )
    if made:
        transaction.on_commit(partial(wake, errand.pk), robust=True)
    return errand


def ask_again(errand: Errand) -> None:
    """Queue a failed errand once more, with its attempts counted anew."""
    changed = Errand.objects.filter(pk=errand.pk, state=Errand.State.FAILED).update(
        state=Errand.State.QUEUED,
        attempts=0,
        run_after=timezone.now(),
        claim=None,
        lease_until=None,
        finished_at=None,
        progress_done=0,
        progress_total=0,
        progress_note="",
        reason="",
    )
    if changed:
        transaction.on_commit(partial(wake, errand.pk), robust=True)


def wake(errand_id: UUID, *, expires_s: float | None = None) -> None:
    """Tell a Celery worker at once, when there is a broker; a lost message costs time, not work.

    A message that nobody takes within `expires_s` seconds is void, when given.
    """
    if not settings.REDIS_URL:
        return
    from jobs.errands.tasks import run_errand

    try:
        run_errand.apply_async(args=[str(errand_id)], retry=False, expires=expires_s)
    except run_errand.OperationalError:
        log.warning("the broker could not be told of errand %s; the beat will pick it up", errand_id)
