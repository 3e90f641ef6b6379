"""Instruments, calibrations, units, engines and people over the API."""

from __future__ import annotations

from typing import Any

import pytest

from jobs.fleet.models import Engine, Installation, Unit
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.api.conftest import Caller, assert_problem, codes

CALIBRATION: dict[str, Any] = {
    "performed_on": "2026-03-01",
    "performed_by": "Strathlune standards room",
    "certificate": "C-9001",
    "as_found": "conforming",
    "as_left": "conforming",
    "valid_until": "2066-03-01",
    "standard_uncertainty": 0.002,
}


def test_an_instrument_is_added_and_calibrated(as_keeper: Caller) -> None:
    added = as_keeper.send("instruments/", {"asset_number": "PR-21", "kind": "probe", "range_high": 12})
    assert added.status_code == 201
    assert added.json()["due_on"] is None
    at = added["Location"].removeprefix("/api/v1/")
    calibrated = as_keeper.send(at + "calibrations/", CALIBRATION)
    assert calibrated.status_code == 201
    assert as_keeper.get(calibrated["Location"]).json()["instrument"] == "PR-21"
    assert as_keeper.read(at).json()["due_on"] == "2066-03-01"


def test_a_certificate_sent_twice_with_its_key_is_one(as_keeper: Caller, probe: Instrument) -> None:
    at = f"instruments/{probe.pk}/calibrations/"
    first, second = (as_keeper.send(at, CALIBRATION, key="c") for _ in range(2))
    assert first.json() == second.json()
    assert probe.calibrations.filter(certificate="C-9001").count() == 1
    assert_problem(as_keeper.send(at, CALIBRATION), 422)


def test_values_of_a_calibration_are_checked_by_the_rules(as_keeper: Caller, probe: Instrument) -> None:
    body = {**CALIBRATION, "valid_until": "2025-01-01", "standard_uncertainty": -1}
    response = as_keeper.send(f"instruments/{probe.pk}/calibrations/", body)
    assert_problem(response, 422)
    assert {"dates-reversed", "uncertainty"} <= set(codes(response))


def test_a_withdrawn_instrument_comes_back_with_a_calibration_in_force(as_keeper: Caller, probe: Instrument) -> None:
    at = f"instruments/{probe.pk}/"
    shown = as_keeper.send(at + "withdraw/", {"reason": "dropped"}).json()
    assert (shown["state"], shown["state_reason"]) == ("withdrawn", "dropped")
    assert_problem(as_keeper.send(at + "withdraw/", {"reason": "dropped"}), 409)
    assert as_keeper.send(at + "return/", {"reason": "checked"}).json()["state"] == "in-service"


def test_only_a_keeper_withdraws(as_technician: Caller, as_auditor: Caller, probe: Instrument) -> None:
    for caller in (as_technician, as_auditor):
        assert_problem(caller.send(f"instruments/{probe.pk}/withdraw/", {"reason": "dropped"}), 403)


def test_the_other_shop_has_no_such_instrument(as_stranger: Caller, probe: Instrument) -> None:
    assert_problem(as_stranger.read(f"instruments/{probe.pk}/"), 404)
    assert as_stranger.read("calibrations/").json()["count"] == 0


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ({"kind": "probe"}, 1),
        ({"state": "withdrawn"}, 0),
        ({"due_before": "2066-01-10"}, 0),
        ({"due_before": "2066-01-11"}, 4),
        ({"words": "tw"}, 1),
    ],
)
def test_instruments_are_filtered(
    as_auditor: Caller, instruments: dict[str, Instrument], query: dict[str, str], count: int
) -> None:
    assert as_auditor.read("instruments/", **query).json()["count"] == count


def test_instruments_are_sorted(as_auditor: Caller, instruments: dict[str, Instrument]) -> None:
    found = as_auditor.read("instruments/", sort="-asset_number").json()["results"]
    assert [one["asset_number"] for one in found] == ["TW-11", "PR-07", "EN-03", "CS-02"]


def test_units_and_engines_tell_where_the_other_is(as_stranger: Caller, engine: Engine) -> None:
    (unit,) = as_stranger.read("units/", number="7012").json()["results"]
    assert unit["installations"] == [
        {
            "engine": "12-0457", "engine_id": engine.pk, "unit": "7012", "unit_id": unit["id"],
            "from_on": "2021-05-03", "until_on": None,
        }
    ]  # fmt: skip
    (found,) = as_stranger.read("engines/", engine_type="KV12").json()["results"]
    assert found["installations"][0]["unit"] == "7012"
    (kind,) = as_stranger.read("engine-types/").json()["results"]
    assert kind["revisions"][0]["spec"]["target_deg"] == 140.0


@pytest.mark.parametrize("path", ["engine-types/", "people/", "calibrations/", "history/", "signoffs/", "cards/"])
def test_what_is_only_read_takes_no_write(as_keeper: Caller, path: str) -> None:
    assert_problem(as_keeper.send(path, {}), 405)


def test_people_are_those_of_the_shop_with_roles_and_qualifications(
    as_auditor: Caller, technician: Person, stranger: Person
) -> None:
    found = {one["username"]: one for one in as_auditor.read("people/").json()["results"]}
    assert "stranger" not in found
    assert found["technician"]["roles"] == ["technician"]
    assert {one["skill"] for one in found["technician"]["qualifications"]} == {"perform-timing", "bar-engine"}
    assert "password" not in str(found)


def test_a_unit_and_an_engine_are_added_and_put_together(as_planner: Caller, engine: Engine) -> None:
    unit = as_planner.send("units/", {"number": "7050", "unit_class": "K7"})
    assert (unit.status_code, unit.json()["installations"]) == (201, [])
    made = as_planner.send("engines/", {"serial": "12-0777", "engine_type": engine.engine_type.code})
    assert made.status_code == 201
    at = made["Location"].removeprefix("/api/v1/")
    day = Unit.objects.get(number="7050").home_shop.today().isoformat()
    shown = as_planner.send(at + "install/", {"unit": unit.json()["id"], "from_on": day}).json()
    assert [(one["unit"], one["until_on"]) for one in shown["installations"]] == [("7050", None)]
    again = as_planner.send(at + "install/", {"unit": unit.json()["id"], "from_on": day})
    assert_problem(again, 409)
    assert "still-installed" in codes(again)
    shown = as_planner.send(at + "remove/", {"until_on": day}).json()
    assert shown["installations"][0]["until_on"] == day
    assert_problem(as_planner.send(at + "remove/", {"until_on": day}), 409)


def test_what_cannot_be_added_is_refused(as_planner: Caller, as_technician: Caller, engine: Engine) -> None:
    assert_problem(as_planner.send("units/", {"number": "7012", "unit_class": "K7"}), 422)
    assert_problem(as_planner.send("engines/", {"serial": "12-1", "engine_type": "no-such"}), 422)
    assert_problem(as_technician.send("units/", {"number": "7051", "unit_class": "K7"}), 403)
    assert not Unit.objects.filter(number="7051").exists()
    assert Installation.objects.count() == 1
