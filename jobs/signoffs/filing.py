"""Filed job cards: bytes under their own SHA-256, written once and never again.

A card is filed before its row is written. A worker that dies in between leaves a file that no row names,
which harms nobody; a row without its file cannot come about.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from django.conf import settings

from jobs.orders.storage import BytesMissingError, Store

MAX_BYTES = 64 * 1024 * 1024


class CardStore(Store):
    """The folder of job cards; its files carry the ending that a reader of PDF expects."""

    def path(self, sha256: str) -> Path:
        return super().path(sha256).with_suffix(".pdf")


def store() -> CardStore:
    """Where the job cards lie."""
    return CardStore(Path(settings.CARD_DIR), limit_bytes=MAX_BYTES, noun="job card")


def file_card(pdf: bytes) -> str:
    """File a card's bytes and return their SHA-256; filing the same bytes twice is the same file."""
    return store().keep([pdf]).sha256


def sha256_as_it_lies(sha256: str) -> str | None:
    """The SHA-256 of the bytes under this name as they are now; None when there are none to read."""
    try:
        return hashlib.sha256(read_as_it_lies(sha256)).hexdigest()
    except BytesMissingError:
        return None


def read_as_it_lies(sha256: str) -> bytes:
    """The bytes under this name as they are now, altered or not; raises `BytesMissingError`."""
    try:
        return store().path(sha256).read_bytes()
    except OSError:
        raise BytesMissingError(
            f"The filed job card {sha256[:12]}… cannot be read. Restore it from a back-up; its SHA-256 tells "
            "whether what comes back is what was filed."
        ) from None
