"""Why an instrument cannot be used, and why a calibration cannot be taken: pure functions, every reason."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from analysis.errors import SpecRefused
from analysis.spec import read_spec
from jobs.errors import Reason
from jobs.people.models import Shop
from jobs.tooling.models import Calibration, Instrument


def why_not_use(
    instrument: Instrument,
    *,
    kind: str,
    shop: Shop,
    day: date,
    calibration: Calibration | None,
    field: str = "",
) -> list[Reason]:
    """`calibration` is the newest of the instrument as of that day, in force or not, or None.

    `queries.newest_calibration` gives it; one in force (`queries.calibration_in_force`) serves as well.
    """
    reasons = []
    name = f"{instrument.get_kind_display().capitalize()} {instrument.asset_number}"
    if instrument.shop_id != shop.pk:
        sentence = f"{name} belongs to {instrument.shop.name}; use one of {shop.name}."
        reasons.append(Reason("other-shop", sentence, field))
    if instrument.kind != kind:
        wanted = Instrument.Kind(kind).label
        sentence = f"{instrument.asset_number} is a {instrument.get_kind_display()}; this needs a {wanted}."
        reasons.append(Reason("other-kind", sentence, field))
    if instrument.state == Instrument.State.WITHDRAWN:
        why = f" ({instrument.state_reason})" if instrument.state_reason else ""
        sentence = f"{name} is withdrawn from use{why}. Use another, and keep this one apart."
        reasons.append(Reason("withdrawn", sentence, field))
    reasons += _why_not_calibrated(instrument, name, day, calibration, field)
    return reasons


def _why_not_calibrated(
    instrument: Instrument, name: str, day: date, calibration: Calibration | None, field: str
) -> list[Reason]:
    due_on = calibration.valid_until if calibration else instrument.due_on
    if due_on is None:
        sentence = f"{name} has no calibration. Have it calibrated, or use another."
        return [Reason("not-calibrated", sentence, field)]
    if day > due_on:
        sentence = (
            f"{name} was due for calibration on {_words(due_on)} and may not be used on {_words(day)}. "
            "Have it calibrated, or use another."
        )
        return [Reason("overdue", sentence, field)]
    if calibration is None:
        sentence = f"{name} had no calibration yet on {_words(day)}. Use another."
        return [Reason("not-yet-calibrated", sentence, field)]
    if day < calibration.performed_on:
        sentence = (
            f"The calibration of {name} holds only from {_words(calibration.performed_on)}. Use another."
        )
        return [Reason("not-yet-valid", sentence, field)]
    if calibration.as_left != Calibration.Verdict.CONFORMING:
        sentence = (
            f"{name} was left nonconforming by its calibration of {_words(calibration.performed_on)}. "
            "Have it put right and calibrated, or use another."
        )
        return [Reason("nonconforming", sentence, field)]
    return []


def why_not_record(
    instrument: Instrument,
    *,
    performed_on: date,
    valid_until: date,
    today: date,
    probe_calibration: Mapping[str, Any] | None,
    standard_uncertainty: float | None,
) -> list[Reason]:
    """What is wrong with the values of a calibration, each by its field."""
    reasons = []
    if performed_on > today:
        sentence = f"A calibration of {_words(performed_on)} is not done yet."
        reasons.append(Reason("in-future", sentence, "performed_on"))
    if valid_until < performed_on:
        reasons.append(
            Reason("dates-reversed", "It would be valid only before it was performed.", "valid_until")
        )
    if standard_uncertainty is not None and not 0 <= standard_uncertainty < float("inf"):
        reasons.append(Reason("uncertainty", "A standard uncertainty is 0 or more.", "standard_uncertainty"))
    if probe_calibration is not None:
        reasons += _why_not_probe_calibration(instrument, probe_calibration)
    return reasons


def _why_not_probe_calibration(instrument: Instrument, probe_calibration: Mapping[str, Any]) -> list[Reason]:
    if instrument.kind != Instrument.Kind.PROBE:
        sentence = f"Only a probe turns counts into millimetres; {instrument.asset_number} is a "
        return [Reason("not-a-probe", f"{sentence}{instrument.get_kind_display()}.", "probe_calibration")]
    carrier = {"datum": {"kind": "lobe"}, "crank_per_datum": 1, "tolerance_deg": 1}
    try:
        read_spec({**carrier, "probe_calibration": probe_calibration})
    except SpecRefused as refused:
        return [Reason("probe-calibration", str(refused), "probe_calibration")]
    return []


def why_not_withdraw(instrument: Instrument) -> list[Reason]:
    if instrument.state == Instrument.State.WITHDRAWN:
        return [Reason("already-withdrawn", f"{instrument.asset_number} is withdrawn already.")]
    return []


def why_not_return(instrument: Instrument, *, day: date, calibration: Calibration | None) -> list[Reason]:
    """`calibration` is the newest as of `day`; only one in force lets an instrument go back to work."""
    if instrument.state != Instrument.State.WITHDRAWN:
        return [Reason("in-service", f"{instrument.asset_number} is in service already.")]
    return _why_not_calibrated(instrument, instrument.asset_number, day, calibration, "")


def _words(day: date) -> str:
    return f"{day.day} {day:%B %Y}"
