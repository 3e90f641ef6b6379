"""Which instrument may be used on which day, and what a keeper records."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.http import Http404

from jobs.errors import BadInput, NotAllowed, Refusal, WrongPerson
from jobs.ledger.actions import System
from jobs.ledger.models import Entry
from jobs.people.models import Person, Shop
from jobs.tooling import actions, queries, rules
from jobs.tooling.models import Calibration, Instrument

TODAY = date(2026, 3, 16)
SET_UP = System("Midflank set-up")
PROBE_CALIBRATION = {"coefficients": [0, 0.001], "origin": 2048, "range_counts": [0, 4095]}


def codes(refused: pytest.ExceptionInfo[Refusal]) -> list[str]:
    return [reason.code for reason in refused.value.reasons]


@pytest.fixture
def new(brackwater: Shop, keeper: Person, at: datetime) -> Instrument:
    return actions.add_instrument(shop=brackwater, asset_number="PR-21", kind="probe", by=keeper, at=at)


@pytest.fixture
def record(keeper: Person, at: datetime) -> Callable[..., Calibration]:
    def make(instrument: Instrument, **changed: Any) -> Calibration:
        facts: dict[str, Any] = {
            "performed_on": TODAY - timedelta(days=5),
            "performed_by": "Strathlune measuring room",
            "certificate": "MR-1",
            "as_found": "conforming",
            "as_left": "conforming",
            "valid_until": TODAY + timedelta(days=180),
            "by": keeper,
            "at": at,
        }
        return actions.record_calibration(instrument, **{**facts, **changed})

    return make


def why_not(instrument: Instrument, shop: Shop, day: date = TODAY, kind: str = "probe") -> list[str]:
    calibration = queries.newest_calibration(instrument, day)
    return [
        reason.code
        for reason in rules.why_not_use(instrument, kind=kind, shop=shop, day=day, calibration=calibration)
    ]


def test_a_new_instrument_waits_for_its_first_calibration(new: Instrument, brackwater: Shop) -> None:
    assert why_not(new, brackwater) == ["not-calibrated"]


def test_a_calibration_lets_it_be_used_until_its_last_day(
    new: Instrument, brackwater: Shop, record: Callable[..., Calibration], technician: Person
) -> None:
    calibration = record(new)
    last = calibration.valid_until
    assert new.due_on == last
    assert why_not(new, brackwater, last) == []
    assert queries.calibration_in_force(new, last) == calibration
    assert list(queries.usable(technician, "probe", last)) == [new]
    after = last + timedelta(days=1)
    assert why_not(new, brackwater, after) == ["overdue"]
    assert queries.calibration_in_force(new, after) is None
    assert not queries.usable(technician, "probe", after)


def test_it_could_not_be_used_before_its_first_calibration(
    new: Instrument, brackwater: Shop, record: Callable[..., Calibration], technician: Person
) -> None:
    calibration = record(new)
    before = calibration.performed_on - timedelta(days=1)
    assert why_not(new, brackwater, before) == ["not-yet-calibrated"]
    assert not queries.usable(technician, "probe", before)
    found = rules.why_not_use(new, kind="probe", shop=brackwater, day=before, calibration=calibration)
    assert [reason.code for reason in found] == ["not-yet-valid"]


def test_the_sentence_names_instrument_due_date_and_what_to_do(
    new: Instrument, brackwater: Shop, record: Callable[..., Calibration]
) -> None:
    record(new, valid_until=TODAY - timedelta(days=1))
    calibration = queries.newest_calibration(new, TODAY)
    (reason,) = rules.why_not_use(new, kind="probe", shop=brackwater, day=TODAY, calibration=calibration)
    assert reason.sentence == (
        "Probe PR-21 was due for calibration on 15 March 2026 and may not be used on 16 March 2026. "
        "Have it calibrated, or use another."
    )


def test_every_reason_is_told_at_once(
    new: Instrument, port_ansel: Shop, keeper: Person, at: datetime
) -> None:
    actions.withdraw_instrument(new, reason="dropped", by=keeper, at=at)
    assert why_not(new, port_ansel, kind="encoder") == [
        "other-shop",
        "other-kind",
        "withdrawn",
        "not-calibrated",
    ]


def test_a_calibration_entered_late_does_not_move_the_due_date(
    new: Instrument, record: Callable[..., Calibration]
) -> None:
    record(new)
    due_on = new.due_on
    record(
        new,
        certificate="MR-0",
        performed_on=TODAY - timedelta(days=200),
        valid_until=TODAY + timedelta(days=900),
    )
    assert new.due_on == due_on


def test_left_nonconforming_withdraws_it_in_the_same_stroke(
    new: Instrument, brackwater: Shop, record: Callable[..., Calibration], technician: Person
) -> None:
    record(new)
    record(new, certificate="MR-2", performed_on=TODAY, as_found="nonconforming", as_left="nonconforming")
    assert new.state == Instrument.State.WITHDRAWN
    assert "MR-2" in new.state_reason
    assert why_not(new, brackwater) == ["withdrawn", "nonconforming"]
    assert queries.calibration_in_force(new, TODAY) is None
    assert not queries.usable(technician, "probe", TODAY)
    kinds = list(Entry.objects.order_by("number").values_list("kind", flat=True))
    assert kinds == [
        "instrument.added",
        "calibration.recorded",
        "calibration.recorded",
        "instrument.withdrawn",
    ]


def test_it_returns_only_with_a_calibration_in_force(
    new: Instrument, record: Callable[..., Calibration], keeper: Person, at: datetime
) -> None:
    record(new, as_found="nonconforming", as_left="nonconforming")
    with pytest.raises(NotAllowed) as refused:
        actions.return_instrument(new, reason="looks fine", by=keeper, at=at)
    assert codes(refused) == ["nonconforming"]
    record(new, certificate="MR-2", performed_on=TODAY)
    actions.return_instrument(new, reason="adjusted and calibrated", by=keeper, at=at)
    assert new.state == Instrument.State.IN_SERVICE
    assert new.state_reason == ""
    with pytest.raises(NotAllowed) as refused:
        actions.return_instrument(new, reason="again", by=keeper, at=at)
    assert codes(refused) == ["in-service"]


@pytest.mark.parametrize(
    ("changed", "code", "field"),
    [
        ({"performed_on": TODAY + timedelta(days=1)}, "in-future", "performed_on"),
        ({"valid_until": TODAY - timedelta(days=6)}, "dates-reversed", "valid_until"),
        ({"as_left": "fine"}, "invalid", "as_left"),
        ({"certificate": " "}, "invalid", "certificate"),
        ({"certificate": "x" * 81}, "invalid", "certificate"),
        ({"standard_uncertainty": -1.0}, "uncertainty", "standard_uncertainty"),
        ({"standard_uncertainty": float("nan")}, "uncertainty", "standard_uncertainty"),
        ({"probe_calibration": {"coefficients": [1]}}, "probe-calibration", "probe_calibration"),
        ({"probe_calibration": {"coefficients": "abc"}}, "probe-calibration", "probe_calibration"),
    ],
)
def test_a_calibration_that_cannot_be_is_refused_at_its_field(
    new: Instrument, record: Callable[..., Calibration], changed: dict[str, Any], code: str, field: str
) -> None:
    with pytest.raises(BadInput) as refused:
        record(new, **changed)
    assert [(reason.code, reason.field) for reason in refused.value.reasons] == [(code, field)]
    assert not Calibration.objects.exists()


def test_a_certificate_is_on_record_once_for_an_instrument(
    new: Instrument, record: Callable[..., Calibration]
) -> None:
    record(new)
    with pytest.raises(BadInput):
        record(new)


def test_only_a_probe_has_a_probe_calibration(
    new: Instrument, encoder: Instrument, record: Callable[..., Calibration]
) -> None:
    assert record(new, probe_calibration=PROBE_CALIBRATION).probe_calibration == PROBE_CALIBRATION
    with pytest.raises(BadInput) as refused:
        record(encoder, probe_calibration=PROBE_CALIBRATION)
    assert codes(refused) == ["not-a-probe"]


def test_set_up_records_without_a_person(new: Instrument, record: Callable[..., Calibration]) -> None:
    assert record(new, by=SET_UP).recorded_by is None


def test_only_a_keeper_keeps_instruments(new: Instrument, technician: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson):
        actions.withdraw_instrument(new, reason="dropped", by=technician, at=at)


def test_withdrawing_twice_or_without_a_reason_is_refused(
    new: Instrument, keeper: Person, at: datetime
) -> None:
    with pytest.raises(BadInput) as bad:
        actions.withdraw_instrument(new, reason=" ", by=keeper, at=at)
    assert codes(bad) == ["reason-missing"]
    actions.withdraw_instrument(new, reason="dropped", by=keeper, at=at)
    with pytest.raises(NotAllowed) as refused:
        actions.withdraw_instrument(new, reason="dropped", by=keeper, at=at)
    assert codes(refused) == ["already-withdrawn"]


def test_a_reason_longer_than_its_place_is_refused(new: Instrument, keeper: Person, at: datetime) -> None:
    with pytest.raises(BadInput) as refused:
        actions.withdraw_instrument(new, reason="x" * 301, by=keeper, at=at)
    assert refused.value.reasons[0].field == "state_reason"


def test_another_shop_sees_none_of_it(probe: Instrument, stranger: Person, technician: Person) -> None:
    assert queries.instrument_for(technician, probe.pk) == probe
    with pytest.raises(Http404):
        queries.instrument_for(stranger, probe.pk)
    with pytest.raises(Http404):
        queries.calibration_for(stranger, probe.calibrations.get().pk)
    assert not queries.usable(stranger, "probe", TODAY)


def test_what_was_never_calibrated_leads_the_list_and_then_the_soonest_due(
    calibrated: Callable[..., Instrument], new: Instrument, keeper: Person
) -> None:
    calibrated("PR-30", "probe", valid_until=date(2026, 9, 1))
    calibrated("PR-29", "probe", valid_until=date(2026, 5, 1))
    found = [instrument.asset_number for instrument in queries.instruments_of(keeper)]
    assert found == ["PR-21", "PR-29", "PR-30"]
