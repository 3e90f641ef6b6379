"""Recording values, and putting right what was recorded: a correction is a new row, the old one stays."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from decimal import Decimal

from django.db import transaction

from jobs.errors import BadInput, Reason, check_fields, refuse
from jobs.orders import facts, quantities, results, rules, shifts
from jobs.orders.actions.common import announce, local, record, save
from jobs.orders.actions.findings import add_finding, clear_findings, open_again, review_as_left, settle_readings
from jobs.orders.actions.steps import locked_step
from jobs.orders.models import Finding, InstrumentUse, OrderStep, ProcedureStep, Reading
from jobs.people.models import Person
from jobs.tooling import queries as tooling
from jobs.tooling import rules as tooling_rules
from jobs.tooling.models import Calibration, Instrument

Used = list[tuple[Instrument, Calibration]]


@transaction.atomic
def record_reading(
    step: OrderStep,
    *,
    point: str = "",
    entered: str,
    unit: str,
    instrument: Instrument | None = None,
    also: Sequence[Instrument] = (),
    unit_confirmed: bool = False,
    by: Person,
    at: datetime,
    seen_revision: int | None = None,
) -> Reading:
    """Record a value at a point of a reading or torque step, as typed and in the step's unit.

    `instrument` is what it was read with, `also` what else the step asks for, such as the check standard. Out
    of limits raises a finding; the step is done when every point has a reading within limits or accepted.
    Raises `BadInput` (`unit-suspicion` until `unit_confirmed`), `NotAllowed` for wrong moment or instrument.
    """
    step = locked_step(step, by=by, seen_revision=seen_revision)
    order, definition = step.work_order, step.definition
    named = [one for one in (instrument, *also) if one is not None]
    counting = facts.readings_that_count(step)
    proposed = rules.ReadingFacts(
        point=point,
        points=tuple(facts.points_of(step, counting)),
        already=_in_words(counting[point]) if point in counting else "",
    )
    is_reading = definition.kind in {ProcedureStep.Kind.READING, ProcedureStep.Kind.TORQUE}
    if is_reading:
        refuse(
            [*rules.why_not_point(proposed), *rules.why_not_named(definition.instrument_kinds, named)],
            BadInput,
        )
    used, not_usable = _usable(step, named, day=local(at, order).date())
    refuse([*rules.why_not_read(rules_of(step, by, at), proposed), *not_usable])
    value, suspicion = _value(step, entered, unit, unit_confirmed=unit_confirmed)
    refuse(_why_not_range(step, instrument, value))
    reading = _write(step, point, entered, unit, value, instrument=instrument, by=by, at=at)
    _note_use(step, used, by=by, at=at)
    save(order)
    where = f" at {point}" if point else ""
    sentence = f"{_in_words(reading)} recorded{where}, step {step.position} of {order.number}."
    about = [thing for pair in used for thing in pair]
    record("reading.recorded", order, by=by, at=at, sentence=sentence, about=about, data=_data(reading))
    _record_confirmed_unit(reading, suspicion, by=by, at=at)
    if not reading.within:
        _find_out_of_limits(reading, by=by, at=at)
    settle_readings(order, step, at=at)
    announce(order, by=by, at=at, what=f"a reading was recorded at step {step.position}")
    return reading


@transaction.atomic
def correct_reading(
    reading: Reading,
    *,
    entered: str,
    unit: str,
    reason: str,
    instrument: Instrument | None = None,
    also: Sequence[Instrument] = (),
    unit_confirmed: bool = False,
    by: Person,
    at: datetime,
    seen_revision: int | None = None,
) -> Reading:
    """Put a reading right, with a reason, until the order is closed: a new reading that supersedes the old.

    Without `instrument` the old one stands: a slip of the pen. With it the value was read again, and the
    instruments must be usable now.
    """
    step = locked_step(reading.step, by=by, seen_revision=seen_revision)
    order = step.work_order
    reading = step.readings.select_related("instrument").get(pk=reading.pk)
    refuse(rules.why_not_text(reason, "reason", "Say why the reading is corrected.", longest=300), BadInput)
    named = [one for one in (instrument, *also) if one is not None]
    if named:
        refuse(rules.why_not_named(step.definition.instrument_kinds, named), BadInput)
    used, not_usable = _usable(step, named, day=local(at, order).date())
    superseded = reading.superseded_at is not None
    refuse([*rules.why_not_correct(rules_of(step, by, at), superseded=superseded), *not_usable])
    value, suspicion = _value(step, entered, unit, unit_confirmed=unit_confirmed)
    refuse(_why_not_range(step, instrument, value))
    reading.superseded_at = at
    reading.save(update_fields=["superseded_at"])
    with_it = instrument or reading.instrument
    new = _write(
        step,
        reading.point,
        entered,
        unit,
        value,
        instrument=with_it,
        by=by,
        at=at,
        supersedes=reading,
        why=reason,
    )
    _note_use(step, used, by=by, at=at)
    save(order)
    _record_correction(reading, new, used, by=by, at=at)
    _record_confirmed_unit(new, suspicion, by=by, at=at)
    _settle_correction(reading, new, by=by, at=at)
    announce(order, by=by, at=at, what=f"a reading was corrected at step {step.position}")
    return new


def rules_of(step: OrderStep, by: Person, at: datetime) -> rules.StepFacts:
    return facts.of_step(step, by=by, at=at)


def _record_correction(old: Reading, new: Reading, used: Used, *, by: Person, at: datetime) -> None:
    order = new.step.work_order
    sentence = (
        f"Reading at step {new.step.position} of {order.number} corrected from {_in_words(old)} "
        f"to {_in_words(new)}: {new.correction_reason}"
    )
    about = [thing for pair in used for thing in pair]
    data = {**_data(new), "supersedes": _data(old)}
    record("reading.corrected", order, by=by, at=at, sentence=sentence, about=about, data=data)


def _settle_correction(old: Reading, new: Reading, *, by: Person, at: datetime) -> None:
    """Clear the findings of the old value, raise one for the new when it is out too, open or end the step."""
    step, order = new.step, new.step.work_order
    cleared = f"The reading was corrected to {_in_words(new)}."
    clear_findings(order, old.findings.filter(decision=""), reason=cleared, by=by, at=at)
    if not new.within:
        _find_out_of_limits(new, by=by, at=at)
    if step.state == OrderStep.State.DONE and not facts.is_satisfied(step):
        open_again(order, step, why="a corrected reading is out of its limits", by=by, at=at)
    settle_readings(order, step, at=at)
    if shifts.is_shift(step):
        because = f"The ring shift was corrected to {_in_words(new)}."
        review_as_left(order, because=because, by=by, at=at)


def _value(step: OrderStep, entered: str, unit: str, *, unit_confirmed: bool) -> tuple[Decimal, str]:
    """The typed value in the step's unit, and the suspicion about its unit that was confirmed away, if any.

    Raises `BadInput`, also when it looks typed in another unit and nobody confirmed it.
    """
    definition = step.definition
    value = quantities.to_stored(entered, unit=unit, stored_unit=definition.unit)
    low, high = _expected(step)
    other = quantities.suspected_unit(entered, unit=unit, stored_unit=definition.unit, low=low, high=high)
    if other is None:
        return value, ""
    limits = quantities.limits_in_words(low, high, definition.unit)
    typed = entered.strip()
    suspicion = f"{typed} {unit} is outside {limits}, {typed} {other} is not."
    if not unit_confirmed:
        sentence = f"{unit} or {other}? {suspicion} Choose the unit that was read, or confirm the value."
        raise BadInput([Reason("unit-suspicion", sentence, "unit")])
    return value, suspicion


def _record_confirmed_unit(reading: Reading, suspicion: str, *, by: Person, at: datetime) -> None:
    """An override by one's own word: in the history as one, since nobody else decides about it."""
    if not suspicion:
        return
    step = reading.step
    where = f" at {reading.point}" if reading.point else ""
    sentence = (
        f"{by.name} confirmed the unit of {reading.entered} {reading.entered_unit}{where}, step {step.position} "
        f"of {step.work_order.number}, against the suspicion: {suspicion}"
    )
    record("reading.unit-confirmed", step.work_order, by=by, at=at, sentence=sentence, data=_data(reading))


def _expected(step: OrderStep) -> tuple[Decimal | None, Decimal | None]:
    """Where the value should lie: the limits; for the ring shift, a fifth either side of what was stated."""
    definition = step.definition
    stated = _stated_shift(step) if shifts.is_shift(step) and definition.unit == "mm" else None
    if stated is None:
        return definition.low, definition.high
    margin = max(abs(stated) / 5, Decimal("0.1"))
    return stated - margin, stated + margin


def _stated_shift(step: OrderStep) -> Decimal | None:
    """The shift along the rim that the result before it states, with the sign of `ring_shift_mm`."""
    found = results.correction_to_make(step.work_order)
    correction = found.result.get("correction") if found is not None and isinstance(found.result, dict) else None
    stated = correction.get("ring_shift_mm") if isinstance(correction, dict) else None
    return Decimal(str(stated)) if isinstance(stated, int | float) else None


def _why_not_range(step: OrderStep, instrument: Instrument | None, value: Decimal) -> list[Reason]:
    """A torque wrench of the wrong range; a probe's range says nothing about an error read with it."""
    definition = step.definition
    if instrument is None or definition.kind != ProcedureStep.Kind.TORQUE:
        return []
    values = [one for one in (definition.low, value, definition.high) if one is not None]
    return rules.why_not_instrument_range(instrument, values=values, unit=definition.unit)


def _usable(step: OrderStep, named: list[Instrument], *, day: date) -> tuple[Used, list[Reason]]:
    """The instruments with the calibrations on which they are used, and every reason against them."""
    used: Used = []
    reasons: list[Reason] = []
    for instrument in sorted(named, key=lambda one: one.pk):
        locked = tooling.locked_instrument(instrument.pk)
        calibration = tooling.newest_calibration(locked, day)
        against = tooling_rules.why_not_use(
            locked,
            kind=locked.kind,
            shop=step.work_order.shop,
            day=day,
            calibration=calibration,
            field="instrument",
        )
        if against:
            reasons += against
        elif calibration is not None:
            used.append((locked, calibration))
    return used, reasons


def _note_use(step: OrderStep, used: Used, *, by: Person, at: datetime) -> None:
    for instrument, calibration in used:
        InstrumentUse.objects.get_or_create(
            step=step,
            instrument=instrument,
            calibration=calibration,
            defaults={"work_order": step.work_order, "due_on": calibration.valid_until, "by": by, "at": at},
        )


def _write(
    step: OrderStep,
    point: str,
    entered: str,
    unit: str,
    value: Decimal,
    *,
    instrument: Instrument | None,
    by: Person,
    at: datetime,
    supersedes: Reading | None = None,
    why: str = "",
) -> Reading:
    definition = step.definition
    reading = Reading(
        step=step,
        point=point,
        entered=entered.strip(),
        entered_unit=unit,
        value=value,
        unit=definition.unit,
        low=definition.low,
        high=definition.high,
        within=quantities.within(value, definition.low, definition.high),
        instrument=instrument,
        by=by,
        at=at,
        supersedes=supersedes,
        correction_reason=why.strip(),
    )
    check_fields(reading)
    reading.save(force_insert=True)
    return reading


def _find_out_of_limits(reading: Reading, *, by: Person, at: datetime) -> None:
    step = reading.step
    where = f" at {reading.point}" if reading.point else ""
    limits = quantities.limits_in_words(reading.low, reading.high, reading.unit)
    text = f"{step.definition.title}{where}: {_in_words(reading)} is outside {limits}."
    add_finding(step.work_order, kind=Finding.Kind.READING, text=text, step=step, reading=reading, by=by, at=at)


def _in_words(reading: Reading) -> str:
    return f"{quantities.plain(reading.value)} {reading.unit}".strip()


def _data(reading: Reading) -> dict[str, str | bool | int]:
    return {
        "position": reading.step.position,
        "point": reading.point,
        "entered": reading.entered,
        "entered_unit": reading.entered_unit,
        "value": quantities.plain(reading.value),
        "unit": reading.unit,
        "within": reading.within,
        "instrument": reading.instrument.asset_number if reading.instrument else "",
    }
