"""Appending to the history. Every action of every room calls `append` inside its own transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any, Protocol

from django.db import connection, models, transaction

from jobs.ledger import chain as chains
from jobs.ledger import kinds, subjects
from jobs.ledger.models import Chain, Entry, Subject


class Actor(Protocol):
    """Who did it: a person, or the worker acting for one."""

    @property
    def actor_id(self) -> int | None: ...
    @property
    def actor_name(self) -> str: ...


class System:
    """The actor of what no person did: a worker that finished an errand."""

    actor_id: int | None = None

    def __init__(self, name: str = "Midflank") -> None:
        self.actor_name = name


def append(
    kind: str,
    *,
    chain: str,
    by: Actor,
    at: datetime,
    sentence: str,
    about: Iterable[models.Model],
    data: Mapping[str, Any] | None = None,
) -> Entry:
    """Append one entry to the chain of a shop.

    Must run inside the transaction of the write it records: no entry, no write. The head of the chain
    is locked late, once, and until that transaction ends, which is what makes the numbers gapless.

    `data` is plain JSON: numbers as int or float within IEEE 754 double, decimals as strings.
    """
    kinds.get(kind)
    if not connection.in_atomic_block:
        raise RuntimeError("a ledger entry is appended inside the transaction of the write it records")
    if at.tzinfo is None:
        raise ValueError("the instant of a ledger entry needs a time zone")
    named = sorted({subjects.name_of(thing) for thing in about})
    with transaction.atomic():
        head = _locked_head(chain)
        document = {
            "about": [list(pair) for pair in named],
            "actor": {"id": by.actor_id, "name": by.actor_name},
            "at": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
            "chain": chain,
            "data": dict(data or {}),
            "format": chains.FORMAT,
            "kind": kind,
            "number": head.size + 1,
            "previous": head.last_hash,
            "sentence": sentence,
        }
        body = chains.canonical(document)
        entry = Entry.objects.create(
            chain=head,
            number=head.size + 1,
            kind=kind,
            at=at,
            actor_id=by.actor_id,
            actor_name=by.actor_name,
            sentence=sentence,
            body=body.decode("utf-8"),
            hash=chains.leaf_hash(body),
        )
        Subject.objects.bulk_create(Subject(entry=entry, type=type_, key=key, at=at) for type_, key in named)
        head.size, head.last_hash = entry.number, entry.hash
        head.save(update_fields=["size", "last_hash"])
    return entry


def _locked_head(code: str) -> Chain:
    heads = Chain.objects.select_for_update().filter(code=code)
    head = heads.first()
    if head is None:
        Chain.objects.get_or_create(code=code, defaults={"size": 0, "last_hash": chains.FIRST_PREVIOUS})
        head = heads.get()
    return head
