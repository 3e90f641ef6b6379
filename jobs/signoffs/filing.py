"""Filed job cards: bytes under their own SHA-256, written once and never again.

A card is filed before its row is written. A worker that dies in between leaves a file that no row names,
which harms nobody; a row without its file cannot come about.
"""

from __future__ import annotations

import hashlib
import os
import secrets
from pathlib import Path

from django.conf import settings


class CardMissing(Exception):
    """The filed bytes of a job card are not where they were filed."""


def path_of(sha256: str) -> Path:
    """Where the card with this SHA-256 lies or would lie."""
    return Path(settings.CARD_DIR) / sha256[:2] / f"{sha256}.pdf"


def file_card(pdf: bytes) -> str:
    """File a card's bytes and return their SHA-256; filing the same bytes twice is the same file."""
    sha256 = hashlib.sha256(pdf).hexdigest()
    path = path_of(sha256)
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists() and hashlib.sha256(path.read_bytes()).hexdigest() == sha256:
        return sha256
    temporary = path.with_name(f".{sha256[:16]}.{secrets.token_hex(8)}")
    try:
        with temporary.open("xb") as file:
            file.write(pdf)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(0o440)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
    _sync_folder(path.parent)
    _sync_folder(path.parent.parent)
    return sha256


def read_card(sha256: str) -> bytes:
    """The filed bytes as they are now, altered or not; raises `CardMissing`."""
    try:
        return path_of(sha256).read_bytes()
    except OSError:
        raise CardMissing(
            f"The filed job card {sha256[:12]}… cannot be read. Restore it from a back-up; its SHA-256 tells "
            "whether what comes back is what was filed."
        ) from None


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
