"""The bytes of a ledger entry and what makes a chain of them; no Django, so that anyone can check it.

An entry is the RFC 8785 canonical JSON (UTF-8) of

    {"about": [[type, id], …], "actor": {"id": …, "name": …}, "at": "2026-03-14T08:20:05.123456Z", "chain": …,
     "data": {…}, "format": 1, "kind": …, "number": n, "previous": hex, "sentence": …}

`number` counts from 1 without a gap in each chain. `hash` is the RFC 6962 leaf hash, SHA-256(0x00 ‖ bytes);
`previous` is the hash of entry n − 1, and 64 zeros in entry 1. The leaves of the Merkle tree over a chain
are the same bytes, so that chain and tree stand on one hash.

A reader must refuse: bytes that are not their own canonical form, a number that does not follow, a
`previous` that is not the hash before, a `chain` of another name.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import rfc8785

FORMAT = 1
FIRST_PREVIOUS = "0" * 64


@dataclass(frozen=True)
class Broken:
    """The first place where a chain does not hold: entry number, and got against want."""

    number: int
    message: str


def canonical(document: Any) -> bytes:
    """RFC 8785 canonical JSON of a document made of dict, list, str, int, float, bool and None."""
    return rfc8785.dumps(document)


def leaf_hash(entry: bytes) -> str:
    """RFC 6962 section 2.1: SHA-256(0x00 ‖ entry), in hexadecimal."""
    return hashlib.sha256(b"\x00" + entry).hexdigest()


def check(chain: str, stored: Iterable[tuple[int, bytes, str]], *, size: int | None = None) -> Iterator[Broken]:
    """Yield every place where the chain does not hold.

    `stored` gives (number, entry bytes, stored hash) in the order of numbers; `size` is the number of
    entries that the chain is said to have, when known.
    """
    previous, expected = FIRST_PREVIOUS, 1
    for number, entry, stored_hash in stored:
        if number != expected:
            yield Broken(number, f"entry {expected} should come here, but {number} does")
        yield from _check_entry(chain, number, entry, previous)
        found = leaf_hash(entry)
        if found != stored_hash:
            yield Broken(number, f"its bytes hash to {found[:16]}…, but {stored_hash[:16]}… is stored")
        previous, expected = found, number + 1
    if size is not None and expected - 1 != size:
        yield Broken(expected - 1, f"the chain ends at entry {expected - 1}, but {size} were counted")


def _check_entry(chain: str, number: int, entry: bytes, previous: str) -> Iterator[Broken]:
    try:
        document = json.loads(entry)
        is_canonical = canonical(document) == entry
    except (ValueError, TypeError, rfc8785.CanonicalizationError):
        yield Broken(number, "its bytes are not JSON")
        return
    if not isinstance(document, dict):
        yield Broken(number, "its bytes are not an object")
        return
    if not is_canonical:
        yield Broken(number, "its bytes are not in canonical form")
    for key, want in (("chain", chain), ("number", number), ("previous", previous), ("format", FORMAT)):
        got = document.get(key)
        if got != want:
            yield Broken(number, f"its {key} is {got!r}, but should be {want!r}")
