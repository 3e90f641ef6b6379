"""What a worker must do: one row for each piece of work. The row is the memory; a broker only wakes sooner."""

from __future__ import annotations

import uuid

from django.db import models
from django.utils import timezone


class Errand(models.Model):
    """A piece of work for a worker process, with its progress and outcome."""

    class State(models.TextChoices):
        QUEUED = "queued", "queued"
        RUNNING = "running", "running"
        DONE = "done", "done"
        FAILED = "failed", "failed"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=40)
    once_key = models.CharField(
        max_length=200, unique=True, help_text="The same work asked for twice is the same row: kind and subject."
    )
    chain = models.CharField(max_length=20, help_text="The shop whose work this is.")
    arguments = models.JSONField(default=dict)
    state = models.CharField(max_length=10, choices=State.choices, default=State.QUEUED)
    attempts = models.PositiveIntegerField(default=0)
    attempts_allowed = models.PositiveIntegerField(default=3)
    run_after = models.DateTimeField(default=timezone.now)
    claim = models.UUIDField(null=True, blank=True, help_text="Token of the worker that holds it now.")
    worker = models.CharField(max_length=100, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    progress_done = models.PositiveIntegerField(default=0)
    progress_total = models.PositiveIntegerField(default=0)
    progress_note = models.CharField(max_length=200, blank=True)
    reason = models.TextField(blank=True, help_text="Why it failed, or why the last attempt did.")
    outcome = models.JSONField(default=dict)
    asked_by = models.CharField(max_length=200, blank=True)
    created_at = models.DateTimeField(default=timezone.now)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["created_at"]
        indexes = [
            models.Index(fields=["state", "run_after"], name="errands_waiting"),
            models.Index(fields=["state", "lease_until"], name="errands_leased"),
            models.Index(fields=["chain", "-created_at"], name="errands_of_shop"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} ({self.state})"

    @property
    def ended(self) -> bool:
        return self.state in {self.State.DONE, self.State.FAILED}
