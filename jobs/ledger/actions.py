"""Appending to the history. Every action of every room calls `append` inside its own transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
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


@dataclass(frozen=True)
class Note:
    """What is to be written about one thing that was done."""

    kind: str
    sentence: str
    about: Sequence[models.Model]
    data: Mapping[str, Any] = field(default_factory=dict)


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
    (entry,) = append_all([Note(kind, sentence, list(about), data or {})], chain=chain, by=by, at=at)
    return entry


def append_all(notes: Iterable[Note], *, chain: str, by: Actor, at: datetime) -> list[Entry]:
    """As `append`, for several things done together: one entry each, in their order, and the head locked once."""
    notes = list(notes)
    for note in notes:
        kinds.get(note.kind)
    if not connection.in_atomic_block:
        raise RuntimeError("a ledger entry is appended inside the transaction of the write it records")
    if at.tzinfo is None:
        raise ValueError("the instant of a ledger entry needs a time zone")
    if not notes:
        return []
    named = [sorted({subjects.name_of(thing) for thing in note.about}) for note in notes]
    with transaction.atomic():
        head = _locked_head(chain)
        made = []
        for note, about in zip(notes, named, strict=True):
            made.append(_entry(head, note, about, by, at))
            head.size, head.last_hash = made[-1].number, made[-1].hash
        entries = Entry.objects.bulk_create(made, batch_size=100)
        Subject.objects.bulk_create(
            (
                Subject(entry=entry, type=type_, key=key, at=at)
                for entry, about in zip(entries, named, strict=True)
                for type_, key in about
            ),
            batch_size=200,
        )
        head.save(update_fields=["size", "last_hash"])
    return entries


def _entry(head: Chain, note: Note, about: list[tuple[str, str]], by: Actor, at: datetime) -> Entry:
    """The entry that follows the head, not saved yet."""
    document = {
        "about": [list(pair) for pair in about],
        "actor": {"id": by.actor_id, "name": by.actor_name},
        "at": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
        "chain": head.code,
        "data": dict(note.data),
        "format": chains.FORMAT,
        "kind": note.kind,
        "number": head.size + 1,
        "previous": head.last_hash,
        "sentence": note.sentence,
    }
    body = chains.canonical(document)
    return Entry(
        chain=head,
        number=head.size + 1,
        kind=note.kind,
        at=at,
        actor_id=by.actor_id,
        actor_name=by.actor_name,
        sentence=note.sentence,
        body=body.decode("utf-8"),
        hash=chains.leaf_hash(body),
    )


def _locked_head(code: str) -> Chain:
    heads = Chain.objects.select_for_update().filter(code=code)
    head = heads.first()
    if head is None:
        Chain.objects.get_or_create(code=code, defaults={"size": 0, "last_hash": chains.FIRST_PREVIOUS})
        head = heads.get()
    return head
