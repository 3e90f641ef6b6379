"""Units, engines, where an engine is, and issuing what an engine type asks for."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest

from jobs.errors import BadInput, NotAllowed, WrongPerson
from jobs.fleet import actions, queries
from jobs.fleet.datums import in_words
from jobs.fleet.models import Engine, EngineType, EngineTypeRevision, Unit
from jobs.ledger.models import Entry
from jobs.people.models import Person, Shop
from tests.cast import SPEC

TODAY = date(2026, 3, 16)


def codes(refused: pytest.ExceptionInfo[NotAllowed]) -> list[str]:
    return [reason.code for reason in refused.value.reasons]


@pytest.fixture
def spare(engine_type: EngineType, brackwater: Shop, planner: Person, at: datetime) -> Engine:
    return actions.add_engine(serial="12-0999", engine_type=engine_type, by=planner, at=at, shop=brackwater)


def draft(engine_type: EngineType, **changed: Any) -> EngineTypeRevision:
    facts: dict[str, Any] = {
        "number": 1, "cycle": 4, "layout": "in-line", "cylinders": 4, "firing_order": "1 3 4 2",
        "convention": "iso-1204", "rotation": "clockwise", "viewing_end": "driving-end",
        "reference_cylinder": "1", "datum_note": "inlet lobe", "hysteresis_limit_deg": 0.2, "spec": SPEC,
    }  # fmt: skip
    return EngineTypeRevision.objects.create(engine_type=engine_type, **{**facts, **changed})


def test_a_unit_is_added_once(brackwater: Shop, planner: Person, at: datetime) -> None:
    actions.add_unit(number="7001", unit_class="K7", home_shop=brackwater, by=planner, at=at)
    with pytest.raises(BadInput) as refused:
        actions.add_unit(number=" 7001 ", unit_class="K7", home_shop=brackwater, by=planner, at=at)
    assert refused.value.reasons[0].field == "number"
    assert Entry.objects.get().sentence == "Unit 7001 of class K7 added."


def test_a_technician_does_not_keep_the_fleet(brackwater: Shop, technician: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson):
        actions.add_unit(number="7001", unit_class="K7", home_shop=brackwater, by=technician, at=at)


def test_nobody_writes_in_the_ledger_of_another_shop(port_ansel: Shop, planner: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson, match="belongs to Port Ansel"):
        actions.add_unit(number="7001", unit_class="K7", home_shop=port_ansel, by=planner, at=at)


def test_an_engine_changes_units_by_removal_and_installation(
    engine: Engine, spare: Engine, unit: Unit, planner: Person, brackwater: Shop, at: datetime
) -> None:
    with pytest.raises(NotAllowed) as refused:
        actions.install_engine(spare, unit=unit, from_on=TODAY, by=planner, at=at, shop=brackwater)
    assert "12-0457 is in unit 7012" in str(refused.value)
    actions.remove_engine(engine, until_on=TODAY, by=planner, at=at, shop=brackwater)
    assert queries.engine_in(unit) is None
    actions.install_engine(spare, unit=unit, from_on=TODAY, by=planner, at=at, shop=brackwater)
    assert queries.engine_in(unit) == spare
    assert queries.unit_of(engine) is None


def test_one_installation_in_the_way_of_both_is_told_once(
    engine: Engine, unit: Unit, planner: Person, brackwater: Shop, at: datetime
) -> None:
    with pytest.raises(NotAllowed) as refused:
        actions.install_engine(engine, unit=unit, from_on=TODAY, by=planner, at=at, shop=brackwater)
    assert codes(refused) == ["still-installed"]


def test_an_installation_is_not_recorded_before_it_is_done(
    spare: Engine, brackwater: Shop, planner: Person, at: datetime
) -> None:
    unit = actions.add_unit(number="7002", unit_class="K7", home_shop=brackwater, by=planner, at=at)
    with pytest.raises(NotAllowed) as refused:
        actions.install_engine(
            spare, unit=unit, from_on=TODAY + timedelta(days=1), by=planner, at=at, shop=brackwater
        )
    assert codes(refused) == ["in-future"]


def test_installations_of_one_unit_do_not_overlap(
    engine: Engine, spare: Engine, unit: Unit, planner: Person, brackwater: Shop, at: datetime
) -> None:
    actions.remove_engine(engine, until_on=TODAY, by=planner, at=at, shop=brackwater)
    before = TODAY - timedelta(days=1)
    with pytest.raises(NotAllowed) as refused:
        actions.install_engine(spare, unit=unit, from_on=before, by=planner, at=at, shop=brackwater)
    assert codes(refused) == ["overlaps"]


def test_an_engine_in_no_unit_cannot_be_removed(
    spare: Engine, planner: Person, brackwater: Shop, at: datetime
) -> None:
    with pytest.raises(NotAllowed) as refused:
        actions.remove_engine(spare, until_on=TODAY, by=planner, at=at, shop=brackwater)
    assert codes(refused) == ["not-installed"]


def test_a_revision_is_issued_once_and_never_changes_again(
    engine_type: EngineType, admin: Person, brackwater: Shop, at: datetime
) -> None:
    revision = draft(engine_type)
    assert queries.current_revision(engine_type) is None
    actions.issue_engine_type(revision, by=admin, at=at, shop=brackwater)
    assert queries.current_revision(engine_type) == revision
    with pytest.raises(NotAllowed) as refused:
        actions.issue_engine_type(revision, by=admin, at=at, shop=brackwater)
    assert codes(refused) == ["already-issued"]
    revision.hysteresis_limit_deg = 5.0
    with pytest.raises(TypeError, match="never changed"):
        revision.save()


LINK = {
    "kind": "link-rod", "crank_radius_mm": 130.0, "rod_length_mm": 520.0, "link_length_mm": 370.0,
    "pin_radius_mm": 150.0, "pin_angle_deg": 45.0, "bank_angle_deg": 45.0,
}  # fmt: skip
V4 = {"layout": "vee", "firing_order": "A1 B1 A2 B2", "reference_cylinder": "B1"}


@pytest.mark.parametrize(
    ("layout", "datum", "crank_per_datum", "wanted"),
    [
        (V4, LINK, 1, []),
        (V4, {**LINK, "link_length_mm": "370"}, 1, ["spec"]),
        (V4, {**LINK, "link_length_mm": 100.0}, 1, ["spec"]),
        (V4, LINK, 2, ["crank-per-datum"]),
        ({}, LINK, 1, ["link-rod-layout"]),
        (V4, {**LINK, "pin_radius_mm": 900.0}, 1, ["link-rod-lengths"]),
        (V4, {**LINK, "link_length_mm": 200.0, "pin_angle_deg": 120.0}, 1, ["link-rod-lengths"]),
        (V4, {**LINK, "link_length_mm": 140.0, "pin_radius_mm": 400.0, "pin_angle_deg": 99.0}, 1, ["link-rod-lengths"]),
    ],
)
def test_a_link_rod_is_issued_when_it_is_one(
    engine_type: EngineType, layout: dict[str, str], datum: dict[str, Any], crank_per_datum: int, wanted: list[str],
    brackwater: Shop, admin: Person, at: datetime,
) -> None:  # fmt: skip
    revision = draft(engine_type, **layout, spec={**SPEC, "datum": datum, "crank_per_datum": crank_per_datum})
    if not wanted:
        actions.issue_engine_type(revision, by=admin, at=at, shop=brackwater)
        assert revision.issued_at == at
        return
    with pytest.raises(NotAllowed) as refused:
        actions.issue_engine_type(revision, by=admin, at=at, shop=brackwater)
    assert codes(refused) == wanted


@pytest.mark.parametrize(
    ("datum", "words"),
    [
        ({"kind": "lobe"}, "symmetric lobe"),
        ({"kind": "lobe-profile", "profile": [[0, 0]] * 9}, "lobe by its profile, 9 points"),
        ({"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0},
         "piston, crank radius 130 mm, rod 520 mm"),
        ({**LINK, "pin_angle_deg": -4.5},
         "link piston on a master rod, crank radius 130 mm, master rod 520 mm, link rod 370 mm, knuckle pin 150 mm "
         "from the crank pin, knuckle pin −4.5° from the master rod, bank 45° from the master's, in the sense of "
         "rotation"),
        ({"kind": "gear"}, ""), (None, ""),
    ],
)  # fmt: skip
def test_a_datum_is_said_with_its_figures(datum: Any, words: str) -> None:
    assert in_words({"datum": datum}) == words


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"number": 2}, ["out-of-order"]),
        ({"firing_order": "1 3 4"}, ["firing-order"]),
        ({"firing_order": "1-3-4-4"}, ["firing-order"]),
        ({"firing_order": "1, 3, 4, 2"}, []),
        ({"reference_cylinder": "A1"}, ["reference-cylinder"]),
        ({"hysteresis_limit_deg": 0.0}, ["no-limit"]),
        ({"spec": {**SPEC, "tolerance_deg": -1}}, ["spec"]),
        ({"cycle": 2}, ["crank-per-datum"]),
        ({"cycle": 2, "spec": {**SPEC, "crank_per_datum": 1}}, []),
        (
            {"spec": {**SPEC, "datum": {"kind": "piston", "crank_radius_mm": 100, "rod_length_mm": 400}}},
            ["crank-per-datum"],
        ),
        (
            {"number": 3, "reference_cylinder": "9", "spec": {}},
            ["out-of-order", "reference-cylinder", "spec"],
        ),
    ],
)
def test_a_revision_whose_parts_disagree_is_not_issued(
    engine_type: EngineType,
    admin: Person,
    brackwater: Shop,
    at: datetime,
    changed: dict[str, Any],
    expected: list[str],
) -> None:
    revision = draft(engine_type, **changed)
    if not expected:
        actions.issue_engine_type(revision, by=admin, at=at, shop=brackwater)
        assert revision.issued_by == admin
        return
    with pytest.raises(NotAllowed) as refused:
        actions.issue_engine_type(revision, by=admin, at=at, shop=brackwater)
    assert codes(refused) == expected
    revision.refresh_from_db()
    assert revision.issued_at is None
