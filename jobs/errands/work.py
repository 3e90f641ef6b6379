"""Claiming an errand, doing it, and ending it once.

Two workers, one winner: a claim is a conditional UPDATE that gives the row a fresh token and a lease. A
heartbeat thread prolongs the lease while the work goes on. The end is again conditional on the token, in the
same transaction as the effect: a worker that lost its lease to another cannot write anything.

Nothing a single errand does ends the worker, except one: work that goes on for longer than any work may is
ended by the heartbeat, worker and all, since a thread cannot be stopped from outside.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import threading
import time
import traceback
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.db import Error as DatabaseError
from django.db import connection, transaction
from django.db.models import F, Q, QuerySet
from django.utils import timezone

from jobs.errands import registry
from jobs.errands.models import Errand

log = logging.getLogger(__name__)


class LostClaim(Exception):
    """The lease ran out and another worker has the errand; what this one did is dropped."""


class CannotBeDone(Exception):
    """Trying again would not help: the errand fails at once, with this sentence as its reason."""


class Claim:
    """One worker's hold on one errand."""

    def __init__(self, errand: Errand, token: uuid.UUID) -> None:
        self.errand = errand
        self.token = token
        self.outcome: dict[str, Any] = {}

    @property
    def arguments(self) -> dict[str, Any]:
        arguments: dict[str, Any] = self.errand.arguments
        return arguments

    def mine(self) -> QuerySet[Errand]:
        return Errand.objects.filter(pk=self.errand.pk, claim=self.token, state=Errand.State.RUNNING)

    def progress(self, done: int, total: int, note: str = "") -> None:
        """Show how far the work is, and prolong the lease; raises `LostClaim`."""
        changed = self.mine().update(
            progress_done=done, progress_total=total, progress_note=note[:200], lease_until=_lease_end()
        )
        if not changed:
            raise LostClaim(f"errand {self.errand.pk} is held by another worker now")

    @contextmanager
    def finishing(self, **outcome: Any) -> Iterator[None]:
        """Write the effect and the outcome in one transaction; raises `LostClaim` before any effect."""
        with transaction.atomic():
            self._end(Errand.State.DONE, outcome=outcome, reason="")
            yield
            if self.outcome:
                Errand.objects.filter(pk=self.errand.pk).update(outcome={**outcome, **self.outcome})

    def _end(self, state: Errand.State, *, reason: str, outcome: dict[str, Any] | None = None) -> None:
        changed = self.mine().update(
            state=state,
            finished_at=timezone.now(),
            lease_until=None,
            claim=None,
            reason=reason,
            outcome=outcome or {},
            **({"progress_done": F("progress_total")} if state == Errand.State.DONE else {}),
        )
        if not changed:
            raise LostClaim(f"errand {self.errand.pk} is held by another worker now")

    def fail(self, reason: str) -> None:
        """End the errand for good, telling the room that owns it in the same transaction.

        When the room cannot be told, the errand ends all the same: else it would come back for ever.
        """
        try:
            with transaction.atomic():
                self._end(Errand.State.FAILED, reason=reason)
                kind = registry.get(self.errand.kind)
                if kind.given_up is not None:
                    kind.given_up(self, reason)
        except (LostClaim, DatabaseError):
            raise
        except Exception:
            log.exception("errand %s failed and its room could not be told", self.errand.pk)
            with transaction.atomic():
                self._end(Errand.State.FAILED, reason=reason)

    def put_back(self, reason: str) -> None:
        """Queue it again after a pause that doubles with each attempt."""
        pause = timedelta(seconds=2 ** min(self.errand.attempts, 6))
        self.mine().update(
            state=Errand.State.QUEUED,
            claim=None,
            lease_until=None,
            reason=reason,
            run_after=timezone.now() + pause,
        )


def worker_name() -> str:
    return f"{socket.gethostname()}:{os.getpid()}"


def _lease_end() -> Any:
    return timezone.now() + timedelta(seconds=settings.ERRAND_LEASE_S)


def claimable() -> QuerySet[Errand]:
    """Errands that wait, and those that a worker left behind when its lease ran out."""
    now = timezone.now()
    waiting = Q(state=Errand.State.QUEUED, run_after__lte=now)
    left_behind = Q(state=Errand.State.RUNNING, lease_until__lt=now)
    return Errand.objects.filter(waiting | left_behind)


def claim(errand_id: uuid.UUID) -> Claim | None:
    """Take one errand, or None when another worker was first or it is not due."""
    token = uuid.uuid4()
    changed = (
        claimable()
        .filter(pk=errand_id)
        .update(
            state=Errand.State.RUNNING,
            claim=token,
            worker=worker_name()[:100],
            lease_until=_lease_end(),
            attempts=F("attempts") + 1,
            started_at=timezone.now(),
        )
    )
    if not changed:
        return None
    return Claim(Errand.objects.get(pk=errand_id), token)


def claim_next() -> Claim | None:
    """Take the oldest errand that can be taken, or None."""
    for errand_id in claimable().order_by("run_after").values_list("pk", flat=True)[:10]:
        found = claim(errand_id)
        if found is not None:
            return found
    return None


def run(held: Claim) -> None:
    """Do a claimed errand to its end, whatever happens to it; never raises for what an errand does."""
    try:
        _run(held)
    except LostClaim as lost:
        log.warning("%s", lost)
    except DatabaseError:
        log.exception("errand %s is left to its lease: the database did not answer", held.errand.pk)


def _run(held: Claim) -> None:
    errand = held.errand
    if errand.attempts > errand.attempts_allowed:
        # Each attempt before this one took its worker down with it, or it would have been put back.
        held.fail(f"Given up after {errand.attempts_allowed} attempts: the worker did not survive any of them.")
        return
    try:
        with _heartbeat(held):
            registry.get(errand.kind).run(held)
        if held.mine().exists():
            raise RuntimeError(f"the function for {errand.kind!r} returned without finishing its claim")
    except LostClaim:
        raise
    except CannotBeDone as why:
        held.fail(str(why))
    except Exception as error:
        log.exception("errand %s (%s) failed in attempt %d", errand.pk, errand.kind, errand.attempts)
        _after_error(held, error)


def _after_error(held: Claim, error: Exception) -> None:
    reason = "".join(traceback.format_exception_only(error)).strip()
    if held.errand.attempts >= held.errand.attempts_allowed:
        held.fail(f"Given up after {held.errand.attempts} attempts; the last one ended with: {reason}")
    else:
        held.put_back(f"Attempt {held.errand.attempts} ended with: {reason}")


@contextmanager
def _heartbeat(held: Claim) -> Iterator[None]:
    """Prolong the lease from a thread while the work goes on; it dies with the process, as it should."""
    stop = threading.Event()
    last_moment = time.monotonic() + settings.ERRAND_LONGEST_S

    def beat() -> None:
        try:
            while not stop.wait(settings.ERRAND_LEASE_S / 3):
                if time.monotonic() > last_moment:
                    _end_worker(held)
                if not _prolong(held):
                    return
        finally:
            connection.close()

    thread = threading.Thread(target=beat, name=f"lease of {held.errand.pk}", daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(timeout=5)


def _prolong(held: Claim) -> bool:
    """Whether the errand is still ours; a database that does not answer for a moment takes nothing away."""
    try:
        return bool(held.mine().update(lease_until=_lease_end()))
    except DatabaseError as error:
        log.warning("the lease of errand %s could not be prolonged: %s", held.errand.pk, error)
        connection.close()
        return True


def _end_worker(held: Claim) -> None:
    """Whoever watches over the workers starts another; the attempt counts, so it cannot go on for ever."""
    log.critical("errand %s (%s) takes for ever; its worker is ended", held.errand.pk, held.errand.kind)
    os.kill(os.getpid(), signal.SIGKILL)
