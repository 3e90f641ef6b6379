"""Reading the history."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

from django.db import transaction
from django.db.models import Exists, OuterRef, QuerySet

from jobs.ledger import chain as chains
from jobs.ledger.models import Chain, Entry, Subject


@dataclass(frozen=True)
class Verification:
    """How one chain was found: its size, its last hash, and every place where it does not hold."""

    chain: str
    size: int
    last_hash: str
    broken: tuple[chains.Broken, ...]

    @property
    def holds(self) -> bool:
        return not self.broken


def about(type_: str, key: str) -> QuerySet[Entry]:
    """Entries about one thing, newest first."""
    named = Subject.objects.filter(entry=OuterRef("pk"), type=type_, key=key)
    return Entry.objects.filter(Exists(named)).order_by("-at", "-number")


def of_chain(code: str) -> QuerySet[Entry]:
    """Entries of one shop's chain, newest first."""
    return Entry.objects.filter(chain_id=code).order_by("-at", "-number")


def verify(code: str) -> Verification:
    """Check a whole chain against its bytes, streaming; also that the look-up columns agree with the bytes."""
    with transaction.atomic():
        head = Chain.objects.filter(code=code).first()
        if head is None:
            return Verification(code, 0, chains.FIRST_PREVIOUS, ())
        rows = Entry.objects.filter(chain_id=code).order_by("number").values_list("number", "body", "hash")
        stored = ((number, body.encode("utf-8"), hash_) for number, body, hash_ in rows.iterator(chunk_size=2000))
        broken = [*chains.check(code, stored, size=head.size), *_columns_that_differ(code)]
        last = Entry.objects.filter(chain_id=code, number=head.size).values_list("hash", flat=True).first()
        if head.size and last != head.last_hash:
            broken.append(chains.Broken(head.size, "the head of the chain does not name its last entry"))
        return Verification(code, head.size, head.last_hash, tuple(broken))


def _columns_that_differ(code: str) -> Iterator[chains.Broken]:
    entries = Entry.objects.filter(chain_id=code).order_by("number").prefetch_related("subjects")
    for entry in entries.iterator(chunk_size=2000):
        try:
            document = json.loads(entry.body)
        except ValueError:
            continue  # already told by chain.check
        at = entry.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        named = sorted([subject.type, subject.key] for subject in entry.subjects.all())
        actor = document.get("actor") or {}
        shown = (entry.kind, at, entry.sentence, entry.actor_id, entry.actor_name, named)
        bytes_say = (
            document.get("kind"),
            document.get("at"),
            document.get("sentence"),
            actor.get("id"),
            actor.get("name"),
            document.get("about"),
        )
        if shown != bytes_say:
            yield chains.Broken(entry.number, "what is shown of it differs from its bytes")
