"""The append-only history: entries, what each is about, and the head of each chain.

UPDATE and DELETE on entries and their subjects are refused by database triggers (see `triggers.py`), so that
neither the ORM nor a database shell changes history without leaving the chain broken and the trigger gone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import models

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


class Chain(models.Model):
    """The head of one shop's ledger; its row is the lock that makes numbers gapless."""

    code = models.CharField(max_length=20, primary_key=True)
    size = models.BigIntegerField(default=0)
    last_hash = models.CharField(max_length=64)

    def __str__(self) -> str:
        return f"{self.code} ({self.size})"


class Entry(models.Model):
    """One thing that was done, by whom, when. `body` holds the bytes that count; the rest is for looking up."""

    chain = models.ForeignKey(Chain, on_delete=models.PROTECT, related_name="entries")
    number = models.BigIntegerField()
    kind = models.CharField(max_length=60)
    at = models.DateTimeField()
    actor_id = models.BigIntegerField(null=True)
    actor_name = models.CharField(max_length=200)
    sentence = models.TextField()
    body = models.TextField()
    hash = models.CharField(max_length=64)

    if TYPE_CHECKING:
        subjects: RelatedManager[Subject]

    class Meta:
        ordering = ["chain", "number"]
        constraints = [models.UniqueConstraint(fields=["chain", "number"], name="ledger_number_once")]
        indexes = [
            models.Index(fields=["chain", "-at"], name="ledger_by_time"),
            models.Index(fields=["chain", "kind", "-at"], name="ledger_by_kind"),
            models.Index(fields=["actor_id", "-at"], name="ledger_by_actor"),
        ]

    def __str__(self) -> str:
        return f"{self.chain_id} {self.number}: {self.sentence}"


class Subject(models.Model):
    """What an entry is about: a type (`fleet.unit`), its id, and the time again for a fast history."""

    entry = models.ForeignKey(Entry, on_delete=models.PROTECT, related_name="subjects")
    type = models.CharField(max_length=40)
    key = models.CharField(max_length=80)
    at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["entry", "type", "key"], name="ledger_subject_once")]
        indexes = [models.Index(fields=["type", "key", "-at"], name="ledger_by_subject")]

    def __str__(self) -> str:
        return f"{self.type} {self.key}"
