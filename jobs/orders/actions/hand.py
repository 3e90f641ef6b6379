"""Handing in readings taken by hand, where there is no encoder: stored and analysed like a trace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction

from jobs.errors import BadInput, Reason, refuse
from jobs.ledger.chain import canonical
from jobs.orders import quantities, rules, storage
from jobs.orders.actions.common import record
from jobs.orders.actions.traces import take
from jobs.orders.models import OrderStep, Trace
from jobs.orders.rules.hand import SENSES, HandFacts, Pair, place, why_doubt, why_not_hand
from jobs.people import policies
from jobs.people.models import Person
from jobs.tooling.models import Instrument

FORM = 1


@dataclass(frozen=True)
class TypedPair:
    """One pair as typed: dial, and pointer before and after the crest, in the sense named."""

    sense: str
    dial: str
    before: str
    after: str


@dataclass(frozen=True)
class Typed:
    """A set of hand readings as typed; what is empty was not read."""

    pairs: Sequence[TypedPair]
    dial_unit: str
    angle_step: str
    crest_dial: str = ""


def hand_in_readings(
    step: OrderStep,
    *,
    typed: Typed,
    probe: Instrument,
    confirmed: bool = False,
    by: Person,
    at: datetime,
) -> tuple[Trace, bool]:
    """Hand in readings by hand at a trace step and ask a worker to analyse them.

    The document of them is stored under its SHA-256 like the bytes of a recording; the same readings at the same
    step again are those that are there (second value False). Raises `BadInput` at the place of each value, for what
    looks misread until `confirmed`, and `NotAllowed` as for a trace.
    """
    policies.require(by, "upload-trace")
    facts = _facts(typed, probe, dict(step.work_order.spec or {}))
    refuse(why_not_hand(facts), BadInput)
    doubts = why_doubt(facts)
    if not confirmed:
        refuse(doubts, BadInput)
    kept = storage.traces().keep([document(step, facts, typed)])
    return _take(step, kept, doubts, probe=probe, by=by, at=at)


@transaction.atomic
def _take(
    step: OrderStep,
    kept: storage.Kept,
    doubts: Sequence[Reason],
    *,
    probe: Instrument,
    by: Person,
    at: datetime,
) -> tuple[Trace, bool]:
    filename = f"{step.definition.stage or 'step'}-hand-readings.json"
    trace, is_new = take(
        step, kept=kept, filename=filename, probe=probe, encoder=None, repeated_because="", by=by, at=at
    )
    if is_new and doubts:
        order = trace.work_order
        told = " ".join(reason.sentence for reason in doubts)
        sentence = f"{by.name} confirmed the hand readings of {order.number} step {step.position} against: {told}"
        data = {"position": step.position, "sha256": kept.sha256}
        record("hand-readings.confirmed", order, by=by, at=at, sentence=sentence, about=[trace], data=data)
    return trace, is_new


def document(step: OrderStep, facts: HandFacts, typed: Typed) -> bytes:
    """The canonical JSON (RFC 8785) of the readings in the form of the analysis, with what was typed beside it.

    It names its work order and step: on a coarse scale two engines may well read alike, and are no mix-up for it.
    """
    entries: dict[str, Any] = {
        "hand_readings": FORM,
        "angle_step_deg": float(facts.angle_step_deg),
        "probe": facts.probe.asset_number,
        "step": step.position,
        "work_order": step.work_order.number,
        "pairs": [
            {
                "sense": pair.sense,
                "dial_mm": float(pair.dial_mm),
                "before_deg": float(pair.before_deg),
                "after_deg": float(pair.after_deg),
                "typed": {"dial": as_typed.dial, "before": as_typed.before, "after": as_typed.after},
            }
            for pair, as_typed in zip(facts.pairs, typed.pairs, strict=True)
        ],
        "typed": {"dial_unit": typed.dial_unit, "angle_step": typed.angle_step, "crest_dial": typed.crest_dial},
    }
    if facts.crest_dial_mm is not None:
        entries["crest_dial_mm"] = float(facts.crest_dial_mm)
    return canonical(entries)


def _facts(typed: Typed, probe: Instrument, spec: dict[str, Any]) -> HandFacts:
    """The numbers that were typed; raises `BadInput` with every one that is none, at its place."""
    reasons: list[Reason] = []
    reasons += rules.why_not_text(typed.angle_step, "angle_step", "Give the division of the pointer's scale.")
    pairs = [_pair(row, one, typed.dial_unit, reasons) for row, one in enumerate(typed.pairs)]
    step = Decimal(1) if reasons and not typed.angle_step.strip() else _number(typed.angle_step, "angle_step", reasons)
    crest = _dial(typed.crest_dial, typed.dial_unit, "crest_dial", reasons) if typed.crest_dial.strip() else None
    refuse(reasons, BadInput)
    return HandFacts(
        pairs=pairs,
        angle_step_deg=step,
        crest_dial_mm=crest,
        dial_typed=[one.dial for one in typed.pairs],
        dial_unit=typed.dial_unit,
        probe=probe,
        spec=spec,
    )


def _pair(row: int, one: TypedPair, unit: str, reasons: list[Reason]) -> Pair:
    if one.sense not in SENSES:
        reasons.append(Reason("sense", "A pair is read forward or in reverse.", place(row, "sense")))
    values = {"before": one.before, "after": one.after}
    for column, value in (("dial", one.dial), *values.items()):
        if not value.strip():
            reasons.append(Reason("missing", _MISSING[column], place(row, column)))
    return Pair(
        sense=one.sense,
        dial_mm=_dial(one.dial, unit, place(row, "dial"), reasons),
        before_deg=_number(one.before, place(row, "before"), reasons),
        after_deg=_number(one.after, place(row, "after"), reasons),
    )


_MISSING = {
    "dial": "The dial reading of this pair is missing.",
    "before": "The angle before the crest is missing.",
    "after": "The angle after the crest is missing.",
}


def _number(entered: str, field: str, reasons: list[Reason]) -> Decimal:
    """The number typed; 0 when there is none, with the reason added."""
    if not entered.strip():
        return Decimal(0)
    try:
        return quantities.parse(entered, field=field)
    except BadInput as refusal:
        reasons.extend(refusal.reasons)
        return Decimal(0)


def _dial(entered: str, unit: str, field: str, reasons: list[Reason]) -> Decimal:
    """A dial reading in millimetres; 0 when it is none, with the reason added at its place."""
    if not entered.strip():
        return Decimal(0)
    try:
        return quantities.to_stored(entered, unit=unit, stored_unit="mm")
    except BadInput as refusal:
        told = ((one, "dial_unit" if one.field == "unit" else field) for one in refusal.reasons)
        reasons.extend(Reason(one.code, one.sentence, where) for one, where in told)
        return Decimal(0)
