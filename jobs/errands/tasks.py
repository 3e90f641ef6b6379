"""Celery tasks: a worker woken over the broker, and a beat that picks up what was dropped."""

from __future__ import annotations

import uuid
from datetime import timedelta

from celery import shared_task
from django.conf import settings
from django.db.models import Q
from django.utils import timezone

from jobs.errands import actions, work


@shared_task(name="jobs.errands.run_errand")  # type: ignore[untyped-decorator]
def run_errand(errand_id: str) -> None:
    """Do one errand, unless another worker was first."""
    held = work.claim(uuid.UUID(errand_id))
    if held is not None:
        work.run(held)


@shared_task(name="jobs.errands.pick_up_dropped")  # type: ignore[untyped-decorator]
def pick_up_dropped() -> None:
    """Wake a worker for whatever waits longer than it should: lost messages, workers that died.

    The message is void when the next round comes: while all workers are busy, rounds must not pile up.
    """
    patience = timezone.now() - timedelta(seconds=5)
    dropped = work.claimable().filter(Q(lease_until__isnull=False) | Q(run_after__lt=patience))
    for errand_id in dropped.order_by("run_after").values_list("pk", flat=True)[:100]:
        actions.wake(errand_id, expires_s=settings.ERRAND_BEAT_S)
