"""Bytes are stored once, whole, under their SHA-256, and told apart from what was done to them later."""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from jobs.errors import BadInput, TooLarge
from jobs.orders.storage import BytesAlteredError, BytesMissingError, Store, chunks_of


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "traces", limit_bytes=10_000, noun="trace")


def files(store: Store) -> list[str]:
    return sorted(str(path.relative_to(store.root)) for path in store.root.rglob("*") if path.is_file())


def test_bytes_come_back_as_they_went_in(store: Store) -> None:
    kept = store.keep([b"time_s,", b"encoder_deg"])
    name = hashlib.sha256(b"time_s,encoder_deg").hexdigest()
    assert (kept.sha256, kept.size_bytes, kept.was_there) == (name, 18, False)
    assert store.read(name) == b"time_s,encoder_deg"
    assert files(store) == [f"{name[:2]}/{name}"]


def test_the_same_bytes_twice_are_one_file_that_is_not_touched(store: Store) -> None:
    name = store.keep([b"abc"]).sha256
    before = store.path(name).stat()
    assert store.keep([b"a", b"bc"]).was_there
    assert store.path(name).stat() == before
    assert len(files(store)) == 1


def test_nobody_can_write_into_a_stored_file(store: Store) -> None:
    name = store.keep([b"abc"]).sha256
    assert store.path(name).stat().st_mode & 0o222 == 0


def test_nothing_at_all_is_refused(store: Store) -> None:
    with pytest.raises(BadInput, match="empty"):
        store.keep([])
    assert files(store) == []


def test_too_much_is_refused_while_it_comes_and_leaves_nothing(store: Store) -> None:
    taken = 0

    def endless() -> Iterator[bytes]:
        nonlocal taken
        while True:
            taken += 1000
            yield b"\x00" * 1000

    with pytest.raises(TooLarge):
        store.keep(endless())
    assert taken == 11_000
    assert files(store) == []


def test_a_source_that_breaks_off_leaves_nothing(store: Store) -> None:
    def broken() -> Iterator[bytes]:
        yield b"time_s"
        raise ConnectionResetError

    with pytest.raises(ConnectionResetError):
        store.keep(broken())
    assert files(store) == []


def test_a_full_disk_leaves_nothing_under_the_name(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        store.keep([b"abc"])
    assert files(store) == []


def test_a_missing_file_is_told(store: Store) -> None:
    name = store.keep([b"abc"]).sha256
    store.path(name).unlink()
    with pytest.raises(BytesMissingError, match="missing from the store"):
        store.read(name)


@pytest.mark.parametrize("damage", [b"abd", b"ab", b"abcd", b""])
def test_an_altered_file_is_told_and_not_handed_out(store: Store, damage: bytes) -> None:
    name = store.keep([b"abc"]).sha256
    store.path(name).chmod(0o640)
    store.path(name).write_bytes(damage)
    with pytest.raises(BytesAlteredError, match="not what was handed in"):
        store.read(name)


def test_handing_in_the_true_bytes_again_mends_the_store_and_keeps_the_altered_file(store: Store) -> None:
    name = store.keep([b"abc"]).sha256
    store.path(name).chmod(0o640)
    store.path(name).write_bytes(b"xyz")
    assert not store.keep([b"abc"]).was_there
    assert store.read(name) == b"abc"
    (aside,) = store.root.rglob("*.altered-*")
    assert aside.read_bytes() == b"xyz"


@pytest.mark.parametrize("name", ["", "../../etc/passwd", "A" * 64, "0" * 63])
def test_what_is_no_sha256_names_no_file(store: Store, name: str) -> None:
    with pytest.raises(ValueError, match="not a SHA-256"):
        store.path(name)


def test_chunks_add_up_to_the_file() -> None:
    content = os.urandom(2_500_000)
    parts = list(chunks_of(io.BytesIO(content)))
    assert b"".join(parts) == content
    assert max(map(len, parts)) <= 1 << 20
