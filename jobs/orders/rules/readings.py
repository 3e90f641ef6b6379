"""Readings: which values are taken at which point, with which instruments, and when they may be corrected."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from jobs.errors import Reason
from jobs.orders import quantities
from jobs.orders.models import ProcedureStep, WorkOrder
from jobs.orders.rules.steps import StepFacts, why_not_able, why_not_do_step
from jobs.orders.rules.words import listed, why_not_state
from jobs.tooling.models import Instrument

Kind = ProcedureStep.Kind


@dataclass(frozen=True)
class ReadingFacts:
    """One reading as proposed. `already` is the value that counts at the point now, in words, or empty."""

    point: str
    points: tuple[str, ...]
    already: str = ""


def why_not_read(step: StepFacts, reading: ReadingFacts) -> list[Reason]:
    reasons = why_not_do_step(step)
    if step.kind not in {Kind.READING, Kind.TORQUE}:
        reasons.append(Reason("wrong-kind", f"“{step.title}” takes no reading."))
    if reading.already:
        where = f" at {reading.point}" if reading.point else ""
        sentence = f"A reading{where} is recorded already ({reading.already}). Correct it, with a reason."
        reasons.append(Reason("recorded", sentence, "entered"))
    return reasons


def why_not_point(reading: ReadingFacts) -> list[Reason]:
    """A point that the procedure does not name: bad input, not a wrong moment."""
    if reading.point in reading.points:
        return []
    named = listed(point for point in reading.points if point) if any(reading.points) else ""
    sentence = f"This step is read at {named}." if named else "This step is read once, at no named point."
    return [Reason("unknown-point", sentence, "point")]


def why_not_correct(step: StepFacts, *, superseded: bool) -> list[Reason]:
    """A reading may be put right until the order is closed, by a person who could have made it."""
    reasons = why_not_state(
        step.number,
        step.order_state,
        (WorkOrder.State.IN_WORK, WorkOrder.State.TO_VERIFY),
        "correct a reading",
        held_reason=step.held_reason,
    )
    if superseded:
        sentence = "This reading was corrected already. Correct the one that counts now."
        reasons.append(Reason("superseded", sentence))
    return [*reasons, *why_not_able(step)]


def why_not_named(kinds: list[str], named: list[Instrument]) -> list[Reason]:
    """Every kind of instrument that the step asks for must be named, and each instrument once."""
    have = {instrument.kind for instrument in named}
    reasons = [
        Reason("no-instrument", f"Name the {Instrument.Kind(kind).label} that was used.", "instrument")
        for kind in kinds
        if kind not in have
    ]
    for instrument in named:
        if kinds and instrument.kind not in kinds:
            wanted = listed(Instrument.Kind(kind).label for kind in kinds)
            sentence = f"{instrument.asset_number} is a {instrument.get_kind_display()}."
            reasons.append(Reason("other-kind", f"{sentence} This step asks for: {wanted}.", "instrument"))
    return reasons


def why_not_instrument_range(instrument: Instrument, *, values: list[Decimal], unit: str) -> list[Reason]:
    """An instrument whose range does not hold the limits or the value is the wrong one for the step.

    Only where the range is in a unit of the same quantity; a range in other units says nothing here.
    """
    scale = next((one for one in quantities.scales(unit) if one.unit == instrument.range_unit), None)
    if scale is None:
        return []
    low, high = (
        None if end is None else scale.to_stored(Decimal(str(end)))
        for end in (instrument.range_low, instrument.range_high)
    )
    outside = [value for value in values if not quantities.within(value, low, high)]
    if not outside:
        return []
    measures = quantities.limits_in_words(low, high, unit)
    wanted = listed(dict.fromkeys(f"{quantities.plain(value)} {unit}" for value in outside))
    lies = "is" if len(outside) == 1 else "are"
    sentence = f"{instrument.asset_number} measures {measures}; {wanted} {lies} outside its range. Use another."
    return [Reason("instrument-range", sentence, "instrument")]
