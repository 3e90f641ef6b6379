"""Reading the history."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from django.db import connection
from django.db.models import Exists, OuterRef, QuerySet

from jobs.ledger import chain as chains
from jobs.ledger import triggers
from jobs.ledger.models import Chain, Entry, Subject

MOST_TOLD = 1000


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


def known() -> list[str]:
    """The codes of all ledgers, of those too whose head was removed and whose entries are still there."""
    headed = Chain.objects.values_list("code", flat=True)
    return sorted({*headed, *Entry.objects.order_by().values_list("chain_id", flat=True).distinct()})


def verify(code: str) -> Verification:
    """Check a whole chain: its bytes, the columns that are shown of it, its head, and the triggers that guard it.

    One pass that holds no lock: entries up to the head never change, and those appended meanwhile are left to
    the next time. At most `MOST_TOLD` places are told. What only the newest entries tell is not seen when they
    are removed and the head is set back with them; for that a copy of an earlier head is needed.
    """
    broken = [chains.Broken(0, sentence) for sentence in triggers.missing(connection)]
    head = Chain.objects.filter(code=code).first()
    size, last_hash = (head.size, head.last_hash) if head else (0, chains.FIRST_PREVIOUS)
    places = _places_that_do_not_hold(code, size)
    broken += itertools.islice(places, MOST_TOLD)
    if head and size:
        last = Entry.objects.filter(chain_id=code, number=size).values_list("hash", flat=True).first()
        if last != last_hash:
            broken.append(chains.Broken(size, "the head of the chain does not name its last entry"))
    broken += _beyond_the_head(code)
    return Verification(code, size, last_hash, tuple(broken))


def _places_that_do_not_hold(code: str, size: int) -> Iterator[chains.Broken]:
    """What the bytes tell, then what is shown otherwise than they say; entries up to `size`, read once."""
    entries = Entry.objects.filter(chain_id=code, number__lte=size).order_by("number")
    shown_otherwise: list[chains.Broken] = []

    def stored() -> Iterator[tuple[int, bytes, str]]:
        for entry in entries.prefetch_related("subjects").iterator(chunk_size=2000):
            if len(shown_otherwise) < MOST_TOLD and not _is_shown_as_it_is(entry):
                sentence = "what is shown of it differs from its bytes"
                shown_otherwise.append(chains.Broken(entry.number, sentence))
            yield entry.number, entry.body.encode("utf-8", "surrogatepass"), entry.hash

    yield from chains.check(code, stored(), size=size)
    yield from shown_otherwise


def _is_shown_as_it_is(entry: Entry) -> bool:
    """Whether the columns for looking up agree with the bytes; bytes that are no entry are told elsewhere."""
    try:
        document = json.loads(entry.body)
    except ValueError:
        return True
    if not isinstance(document, dict):
        return True
    subjects = list(entry.subjects.all())
    actor = document.get("actor")
    return (
        entry.kind == document.get("kind")
        and _instant(entry.at) == document.get("at")
        and entry.sentence == document.get("sentence")
        and {"id": entry.actor_id, "name": entry.actor_name} == actor
        and sorted([subject.type, subject.key] for subject in subjects) == document.get("about")
        and all(subject.at == entry.at for subject in subjects)
    )


def _instant(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _beyond_the_head(code: str) -> Iterator[chains.Broken]:
    """An entry with a number above the head's was not appended; looked at before the head, which only grows."""
    highest = Entry.objects.filter(chain_id=code).order_by("-number").values_list("number", flat=True).first()
    size = Chain.objects.filter(code=code).values_list("size", flat=True).first() or 0
    if highest is not None and highest > size:
        yield chains.Broken(highest, f"entry {highest} stands beyond the head, which counts {size}")
