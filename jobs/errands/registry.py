"""Which function runs which kind of errand. The room that owns the kind registers it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jobs.errands.work import Claim


class UnknownErrand(LookupError):
    """An errand of a kind for which no function is registered."""


@dataclass(frozen=True)
class Kind:
    """A kind of errand: its code, what it does in the words of the page, and the function that does it."""

    code: str
    doing: str
    run: Callable[[Claim], None]
    given_up: Callable[[Claim, str], None] | None = None


_KINDS: dict[str, Kind] = {}


def handles(
    code: str, doing: str, *, given_up: Callable[[Claim, str], None] | None = None
) -> Callable[[Callable[[Claim], None]], Callable[[Claim], None]]:
    """Register the decorated function for errands of a kind.

    The function does the heavy work outside a transaction and writes its effect inside
    ``with claim.finishing():``, which commits effect and outcome together, or neither.
    `given_up` runs in the transaction that marks an errand as failed for good.
    """

    def decorate(run: Callable[[Claim], None]) -> Callable[[Claim], None]:
        _KINDS[code] = Kind(code, doing, run, given_up)
        return run

    return decorate


def get(code: str) -> Kind:
    """The kind of this code; raises `UnknownErrand`."""
    try:
        return _KINDS[code]
    except KeyError:
        raise UnknownErrand(f"nobody does errands of kind {code!r}") from None
