"""Reading single values of a problem: what is refused, and at which place."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime

from analysis.errors import AnalysisRefused
from analysis.schedule.model import MINUTE

LONGEST = 100 * 366 * 1440          # minutes; a hundred years is more than anyone plans


class ProblemRefused(AnalysisRefused):
    """A problem that cannot be planned at all; `place` says where, as in `calendars.day[2]`."""

    def __init__(self, message: str, place: str = "") -> None:
        super().__init__(message)
        self.place = place

    def to_json(self) -> dict[str, object]:
        return {"refused": {"message": self.message, "place": self.place}}


def mapping(raw: object, place: str) -> Mapping[str, object]:
    if type(raw) is not dict and not isinstance(raw, Mapping):  # the first is the quicker question
        raise ProblemRefused(f"{place or 'The problem'} must be an object.", place)
    return raw


def listed(raw: object, place: str) -> Sequence[object]:
    """A list; None counts as an empty one."""
    if raw is None:
        return ()
    if not isinstance(raw, list | tuple):
        raise ProblemRefused(f"{place} must be a list.", place)
    return raw


def text(raw: object, place: str) -> str:
    if not isinstance(raw, str) or not raw:
        raise ProblemRefused(f"{place} must be a text that is not empty.", place)
    return raw


def flag(raw: object, place: str) -> bool:
    if raw is None:
        return False
    if not isinstance(raw, bool):
        raise ProblemRefused(f"{place} must be true or false.", place)
    return raw


def number(raw: object, place: str) -> float:
    """A finite number that is not negative."""
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not math.isfinite(raw):
        raise ProblemRefused(f"{place} must be a number.", place)
    if raw < 0:
        raise ProblemRefused(f"{place} is negative ({raw:g}).", place)
    return float(raw)


def whole(raw: object, place: str, least: int = 1) -> int:
    amount = number(raw, place)
    if amount != int(amount) or amount < least:
        raise ProblemRefused(f"{place} must be a whole number of at least {least}.", place)
    return int(amount)


def length(raw: object, place: str) -> int:
    """Minutes to microseconds."""
    if type(raw) is int and 0 <= raw <= LONGEST:
        return raw * MINUTE
    minutes = number(raw, place)
    if minutes > LONGEST:
        raise ProblemRefused(f"{place} is longer than a hundred years.", place)
    return round(minutes * MINUTE)


class Axis:
    """Instants as microseconds from a midnight UTC. The same words are read once."""

    def __init__(self, base: datetime) -> None:
        self.base = base
        self.known: dict[str, int] = {}

    def at(self, raw: object, place: str) -> int:
        if type(raw) is not str:
            return self._read(raw, place)
        found = self.known.get(raw)
        if found is None:
            found = self.known[raw] = self._read(raw, place)
        return found

    def _read(self, raw: object, place: str) -> int:
        apart = instant(raw, place) - self.base
        return (apart.days * 86_400 + apart.seconds) * 1_000_000 + apart.microseconds

    def maybe(self, raw: object, place: str, otherwise: int) -> int:
        return otherwise if raw is None else self.at(raw, place)


def instant(raw: object, place: str) -> datetime:
    """RFC 3339 with its offset, to the nearest second: the checker counts in seconds, and nobody plans in less."""
    try:
        found = datetime.fromisoformat(text(raw, place).upper())
    except ValueError as wrong:
        raise ProblemRefused(f"{place} is not an instant: {raw}.", place) from wrong
    if found.utcoffset() is None:
        raise ProblemRefused(f"{place} has no offset from UTC: {raw}.", place)
    return datetime.fromtimestamp(round(found.timestamp()), UTC) if found.microsecond else found
