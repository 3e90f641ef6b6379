"""Taking the good lines of an import: one transaction, one ledger entry, whatever the number of lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from jobs.errors import NotAllowed, Reason
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.planning.actions import absences
from jobs.planning.imports import comparing
from jobs.planning.imports.comparing import Line
from jobs.planning.imports.entries import Entry
from jobs.planning.models import Absence


@transaction.atomic
def take_absences(
    entries: Sequence[Entry], *, shop: Shop, source: str, seen: str, file_name: str, by: Person | System, at: datetime
) -> Counter[str]:
    """Take what is new, changed or withdrawn; the count of each verdict.

    `seen` is the digest of the lines as they were shown: raises `NotAllowed` when they would come to something else
    by now, or when there is nothing to take.
    """
    absences.lock(shop, by)
    lines = comparing.compared(entries, shop, at=at)
    if comparing.digest(lines) != seen:
        sentence = "Absences of the shop changed since these lines were shown. Look at them again, then take them."
        raise NotAllowed([Reason("changed-meanwhile", sentence)])
    if not any(line.takes for line in lines):
        raise NotAllowed([Reason("nothing-new", "There is nothing to take: no line is new, changed or withdrawn.")])
    kept = [_take(line, shop, source, by, at) for line in lines if line.takes]
    counts = Counter(line.verdict for line in lines)
    _record([one for held in kept for one in held], counts, shop, file_name, by=by, at=at)
    return counts


def _take(line: Line, shop: Shop, source: str, by: Person | System, at: datetime) -> list[Absence]:
    """What becomes of one line. A changed absence is withdrawn and entered anew: none is ever written over."""
    for held in line.held:
        absences.withdraw(held, by=by, at=at)
    entry = line.entry
    if line.verdict == comparing.WITHDRAWN or entry.who is None or entry.starts_at is None:
        return list(line.held)
    made = Absence.objects.create(
        shop=shop,
        **absences.of(entry.who),
        starts_at=entry.starts_at,
        ends_at=entry.ends_at,
        reason=entry.reason,
        source=source,
        uid=entry.uid,
        entered_by=by if isinstance(by, Person) else None,
        entered_at=at,
    )
    return [*line.held, made]


def _record(
    kept: Sequence[Absence], counts: Counter[str], shop: Shop, file_name: str, *, by: Person | System, at: datetime
) -> None:
    said = ", ".join(
        f"{counts[verdict]} {comparing.WORDS[verdict]}"
        for verdict in (comparing.NEW, comparing.CHANGED, comparing.WITHDRAWN, comparing.THERE, comparing.BAD)
        if counts[verdict]
    )
    about: dict[tuple[str, int], Any] = {}
    for one in kept:
        about[(type(one.subject).__name__, one.subject.pk)] = one.subject
    data = {
        "file": file_name,
        "counts": dict(counts),
        "absences": [{"state": "withdrawn" if one.withdrawn_at else "entered", **absences.plain(one)} for one in kept],
    }
    ledger.append(
        "absence.imported",
        chain=shop.code,
        by=by,
        at=at,
        sentence=f"Absences imported from {file_name or 'a file'}: {said}.",
        about=[*about.values(), *policies.acting(by)],
        data=data,
    )
