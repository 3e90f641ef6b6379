"""Bytes that are stored once under their SHA-256 and never written again: traces and photos.

A file lies under ``ab/abcdef…``. It is written beside its place under another name, hashed on the way,
flushed to the disk and only then given its name, so that a name always holds the whole of what it promises,
whatever is switched off when.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from django.conf import settings

from jobs.errors import BadInput, Reason, TooLarge

log = logging.getLogger(__name__)

CHUNK_BYTES = 1 << 20
PHOTO_MAX_BYTES = 25 * 1024 * 1024


class StorageError(Exception):
    """What the record says was stored cannot be had; the message is a sentence for the page."""


class BytesMissingError(StorageError):
    """There is no file under the name."""


class BytesAlteredError(StorageError):
    """The file under the name no longer has that SHA-256."""


@dataclass(frozen=True)
class Kept:
    """What was stored: its name, its size, and whether it lay there before."""

    sha256: str
    size_bytes: int
    was_there: bool


class Store:
    """One folder of bytes under their SHA-256."""

    def __init__(self, root: Path, *, limit_bytes: int, noun: str) -> None:
        self.root = root
        self.limit_bytes = limit_bytes
        self.noun = noun

    def path(self, sha256: str) -> Path:
        """Where the bytes of this name lie, or would; raises ValueError for what is no SHA-256."""
        if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
            raise ValueError(f"{sha256!r} is not a SHA-256 in hexadecimal")
        return self.root / sha256[:2] / sha256

    def keep(self, chunks: Iterable[bytes]) -> Kept:
        """Store what the chunks add up to; raises `BadInput` for nothing, `TooLarge` above the limit."""
        self.root.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".incoming-", dir=self.root)
        incoming = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                sha256, size = self._copy(chunks, file)
                file.flush()
                os.fsync(file.fileno())
            return Kept(sha256, size, was_there=not self._place(incoming, sha256))
        finally:
            incoming.unlink(missing_ok=True)

    def _copy(self, chunks: Iterable[bytes], file: BinaryIO) -> tuple[str, int]:
        digest, size = hashlib.sha256(), 0
        for chunk in chunks:
            size += len(chunk)
            if size > self.limit_bytes:
                sentence = f"The {self.noun} is larger than {self.limit_bytes >> 20} MB. Nothing was stored."
                raise TooLarge([Reason("too-large", sentence, "file")])
            digest.update(chunk)
            file.write(chunk)
        if size == 0:
            raise BadInput([Reason("empty", f"The {self.noun} is empty. Nothing was stored.", "file")])
        return digest.hexdigest(), size

    def _place(self, incoming: Path, sha256: str) -> bool:
        """Give the bytes their name; False when they lie there already, whole."""
        target = self.path(sha256)
        target.parent.mkdir(exist_ok=True)
        if target.exists():
            if _sha256_of(target) == sha256:
                return False
            aside = target.with_name(f"{sha256}.altered-{target.stat().st_mtime_ns}")
            log.error("%s was altered; it is kept as %s and the bytes are stored anew", target, aside.name)
            target.rename(aside)
        incoming.chmod(0o440)
        incoming.rename(target)
        for folder in (target.parent, self.root):
            _flush_folder(folder)
        return True

    @contextlib.contextmanager
    def open_bytes(self, sha256: str) -> Iterator[BinaryIO]:
        """Open the bytes for reading, after proving that they are still the same; raises `StorageError`."""
        with self.opened(sha256) as file:
            yield file

    def opened(self, sha256: str) -> BinaryIO:
        """As `open_bytes`, for a response that closes the file itself."""
        try:
            file = self.path(sha256).open("rb")
        except FileNotFoundError:
            raise BytesMissingError(
                f"The file of the {self.noun} with SHA-256 {sha256[:12]}… is missing from the store."
            ) from None
        if hashlib.file_digest(file, "sha256").hexdigest() != sha256:
            file.close()
            raise BytesAlteredError(
                f"The file of the {self.noun} with SHA-256 {sha256[:12]}… was altered in the store; "
                "it is not what was handed in."
            )
        file.seek(0)
        return file

    def read(self, sha256: str) -> bytes:
        """All bytes of this name; raises `StorageError`."""
        with self.open_bytes(sha256) as file:
            return file.read()


def traces() -> Store:
    """Where the bytes of traces lie."""
    return Store(Path(settings.TRACE_DIR), limit_bytes=settings.TRACE_MAX_BYTES, noun="trace")


def photos() -> Store:
    """Where the bytes of photos lie."""
    return Store(Path(settings.PHOTO_DIR), limit_bytes=PHOTO_MAX_BYTES, noun="photo")


def open_bytes(sha256: str) -> contextlib.AbstractContextManager[BinaryIO]:
    """The bytes of a trace, proved to be the same as were handed in; raises `StorageError`."""
    return traces().open_bytes(sha256)


def chunks_of(file: BinaryIO) -> Iterator[bytes]:
    """The contents of an open file, from where it stands, a mebibyte at a time."""
    while chunk := file.read(CHUNK_BYTES):
        yield chunk


def _sha256_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _flush_folder(folder: Path) -> None:
    """A name is on the disk only when its folder is."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
