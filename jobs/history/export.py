"""The history as CSV (RFC 4180): what is seen on the page, all of it, with the hashes that prove it."""

from __future__ import annotations

import csv
from collections.abc import Iterator

from django.db.models import QuerySet
from django.utils import timezone

from jobs.ledger import kinds
from jobs.ledger.models import Entry

COLUMNS = (
    "chain", "number", "at_utc", "at_local", "group", "kind", "who", "what", "about", "body", "hash"
)  # fmt: skip

# A spreadsheet takes a cell that starts like this for a formula; a leading apostrophe keeps it a text.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


class Echo:
    """A file that hands back what is written to it, for streaming."""

    def write(self, text: str) -> str:
        return text


def rows(entries: QuerySet[Entry]) -> Iterator[str]:
    """CSV lines, the header first, in batches that keep memory flat for any number of entries."""
    writer = csv.writer(Echo())
    yield "\ufeff" + writer.writerow(COLUMNS)
    for entry in entries.prefetch_related("subjects").iterator(chunk_size=1000):
        kind = kinds.get(entry.kind)
        about = "; ".join(f"{subject.type} {subject.key}" for subject in entry.subjects.all())
        yield writer.writerow(
            [
                entry.chain_id,
                entry.number,
                entry.at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
                timezone.localtime(entry.at).isoformat(timespec="seconds"),
                kinds.GROUPS[kind.group],
                kind.title,
                _text(entry.actor_name),
                _text(entry.sentence),
                about,
                entry.body,
                entry.hash,
            ]
        )


def _text(value: str) -> str:
    return "'" + value if value.startswith(_FORMULA_STARTS) else value
