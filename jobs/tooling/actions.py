"""Every write about instruments, each with its ledger entry in the same transaction."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from django.db import models, transaction

from jobs.errors import BadInput, Reason, check_fields, refuse
from jobs.ledger import actions as ledger
from jobs.ledger.actions import System
from jobs.people import policies
from jobs.people.models import Person, Shop
from jobs.tooling import queries, rules
from jobs.tooling.models import Calibration, Instrument


@transaction.atomic
def add_instrument(
    *,
    shop: Shop,
    asset_number: str,
    kind: str,
    maker: str = "",
    serial: str = "",
    range_low: float | None = None,
    range_high: float | None = None,
    range_unit: str = "",
    by: Person | System,
    at: datetime,
) -> Instrument:
    """Add an instrument by its asset number; it may be used once a calibration is recorded."""
    _allowed(by, shop)
    instrument = Instrument(
        shop=shop,
        asset_number=asset_number.strip(),
        kind=kind,
        maker=maker,
        serial=serial,
        range_low=range_low,
        range_high=range_high,
        range_unit=range_unit,
    )
    check_fields(instrument)
    if range_low is not None and range_high is not None and range_low >= range_high:
        raise BadInput([Reason("range", "The range must end above where it begins.", "range_high")])
    instrument.save()
    _record(
        "instrument.added", instrument, f"{_name(instrument)} added.", by=by, at=at,
        data={"asset_number": instrument.asset_number, "kind": kind, "maker": maker, "serial": serial},
    )  # fmt: skip
    return instrument


@transaction.atomic
def record_calibration(
    instrument: Instrument,
    *,
    performed_on: date,
    performed_by: str,
    certificate: str,
    as_found: str,
    as_left: str,
    valid_until: date,
    probe_calibration: dict[str, Any] | None = None,
    standard_uncertainty: float | None = None,
    note: str = "",
    by: Person | System,
    at: datetime,
) -> Calibration:
    """Record a calibration; the newest one sets the due date, and one that ends nonconforming withdraws.

    Raises `BadInput` by field, among them a certificate that is on record for the instrument already.
    """
    held = _locked(instrument, by)
    calibration = Calibration(
        instrument=held,
        performed_on=performed_on,
        performed_by=performed_by.strip(),
        certificate=certificate.strip(),
        as_found=as_found,
        as_left=as_left,
        valid_until=valid_until,
        probe_calibration=probe_calibration,
        standard_uncertainty=standard_uncertainty,
        note=note,
        recorded_by=by if isinstance(by, Person) else None,
        recorded_at=at,
    )
    reasons = rules.why_not_record(
        held,
        performed_on=performed_on,
        valid_until=valid_until,
        today=at.astimezone(held.shop.zone).date(),
        probe_calibration=probe_calibration,
        standard_uncertainty=standard_uncertainty,
    )
    refuse(reasons, BadInput)
    check_fields(calibration)
    calibration.save()
    _record(
        "calibration.recorded", held, _calibration_sentence(calibration), by=by, at=at,
        data=_calibration_data(calibration), more=[calibration],
    )  # fmt: skip
    _set_due_date(held, by=by, at=at)
    instrument.refresh_from_db()
    return calibration


@transaction.atomic
def withdraw_instrument(instrument: Instrument, *, reason: str, by: Person | System, at: datetime) -> None:
    """Take an instrument out of use, for a stated reason."""
    held = _locked(instrument, by)
    _need_reason(reason)
    refuse(rules.why_not_withdraw(held))
    _withdraw(held, reason=reason.strip(), by=by, at=at)
    instrument.refresh_from_db()


@transaction.atomic
def return_instrument(instrument: Instrument, *, reason: str, by: Person | System, at: datetime) -> None:
    """Put a withdrawn instrument back to use; only with a calibration in force today."""
    held = _locked(instrument, by)
    _need_reason(reason)
    today = at.astimezone(held.shop.zone).date()
    refuse(rules.why_not_return(held, day=today, calibration=queries.newest_calibration(held, today)))
    held.state, held.state_reason = Instrument.State.IN_SERVICE, ""
    held.save(update_fields=["state", "state_reason"])
    _record(
        "instrument.returned", held, f"{_name(held)} returned to service: {reason.strip()}", by=by, at=at,
        data={"reason": reason.strip()},
    )  # fmt: skip
    instrument.refresh_from_db()


def _withdraw(instrument: Instrument, *, reason: str, by: Person | System, at: datetime) -> None:
    instrument.state, instrument.state_reason = Instrument.State.WITHDRAWN, reason
    check_fields(instrument)
    instrument.save(update_fields=["state", "state_reason"])
    _record(
        "instrument.withdrawn", instrument, f"{_name(instrument)} withdrawn: {reason}", by=by, at=at,
        data={"reason": reason},
    )  # fmt: skip


def _set_due_date(instrument: Instrument, *, by: Person | System, at: datetime) -> None:
    """From the calibration performed last; an older certificate entered late changes nothing."""
    newest = instrument.calibrations.order_by("-performed_on", "-pk").first()
    assert newest is not None
    conforming = newest.as_left == Calibration.Verdict.CONFORMING
    instrument.due_on = newest.valid_until if conforming else None
    instrument.save(update_fields=["due_on"])
    if not conforming and instrument.state == Instrument.State.IN_SERVICE:
        reason = f"left nonconforming by calibration {newest.certificate}"
        _withdraw(instrument, reason=reason, by=by, at=at)


def _allowed(by: Person | System, shop: Shop) -> None:
    policies.require(by, "keep-instruments")
    policies.require_shop(by, shop)


def _locked(instrument: Instrument, by: Person | System) -> Instrument:
    held = queries.locked_instrument(instrument.pk)
    _allowed(by, held.shop)
    return held


def _need_reason(reason: str) -> None:
    if not reason.strip():
        raise BadInput([Reason("reason-missing", "Say why.", "reason")])


def _name(instrument: Instrument) -> str:
    return f"{instrument.get_kind_display().capitalize()} {instrument.asset_number}"


def _calibration_sentence(calibration: Calibration) -> str:
    return (
        f"{_name(calibration.instrument)} calibrated on {calibration.performed_on.isoformat()} "
        f"by {calibration.performed_by}, certificate {calibration.certificate}: "
        f"as found {calibration.as_found}, as left {calibration.as_left}; "
        f"valid until {calibration.valid_until.isoformat()}."
    )


def _calibration_data(calibration: Calibration) -> dict[str, Any]:
    uncertainty = calibration.standard_uncertainty
    return {
        "certificate": calibration.certificate,
        "performed_on": calibration.performed_on.isoformat(),
        "performed_by": calibration.performed_by,
        "as_found": calibration.as_found,
        "as_left": calibration.as_left,
        "valid_until": calibration.valid_until.isoformat(),
        "probe_calibration": calibration.probe_calibration,
        "standard_uncertainty": None if uncertainty is None else str(uncertainty),
    }


def _record(
    kind: str,
    instrument: Instrument,
    sentence: str,
    *,
    by: Person | System,
    at: datetime,
    data: dict[str, Any],
    more: list[models.Model] | None = None,
) -> None:
    about = [instrument, *(more or []), *policies.acting(by)]
    ledger.append(kind, chain=instrument.shop.code, by=by, at=at, sentence=sentence, about=about, data=data)
