"""What the stored document of a set of hand readings holds, for page and job card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.errors import TraceRefused
from jobs.orders import storage
from jobs.orders.models import Trace

if TYPE_CHECKING:
    from analysis.byhand import HandReadings


@dataclass(frozen=True)
class Shown:
    """One pair as a row of a table: the dial in millimetres, the pointer in crank degrees, the middle of the two."""

    number: int
    sense: str
    dial_mm: float
    before_deg: float
    after_deg: float
    middle_deg: float


@dataclass(frozen=True)
class Sheet:
    """The pairs of a set with the division of the scale and the dial at the crest, if it was read."""

    rows: tuple[Shown, ...]
    angle_step_deg: float
    crest_dial_mm: float | None


def readings_of(trace: Trace) -> Sheet | None:
    """The readings of a trace that was taken by hand; None for a recording, and where the document is lost."""
    if not trace.by_hand:
        return None
    from analysis.byhand import read_hand

    try:
        found = read_hand(storage.traces().read(trace.bytes_id))
    except (storage.StorageError, TraceRefused):
        return None
    return _sheet(found)


def _sheet(found: HandReadings) -> Sheet:
    from analysis.byhand import DIRECTION

    rows = tuple(
        Shown(number, DIRECTION[pair.sense], pair.dial_mm, pair.before_deg, pair.after_deg, pair.middle_deg)
        for number, pair in enumerate(found.pairs, start=1)
    )
    return Sheet(rows, found.angle_step_deg, found.crest_dial_mm)
