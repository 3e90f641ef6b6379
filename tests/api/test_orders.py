"""Work orders over the API: requested, planned, released and carried on, by the right people."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from jobs.fleet.models import Engine
from jobs.orders.models import ProcedureRevision, WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.api.conftest import Caller, assert_problem, codes
from tests.walking import Walk

# The API acts now, unlike the actions in tests of the rooms.
TODAY = datetime.now(UTC).replace(microsecond=0)
NEEDED_BY = (TODAY + timedelta(days=2)).strftime("%Y-%m-%dT%H:%M:%SZ")


@pytest.fixture
def asked(engine: Engine, procedure_revision: ProcedureRevision) -> dict[str, Any]:
    return {"unit": "7012", "procedure": "re-time", "reason": "ring-disturbed", "needed_by": NEEDED_BY}


@pytest.fixture
def plan(technician: Person, inspector: Person, instruments: dict[str, Instrument]) -> dict[str, Any]:
    return {
        "bay": "Bay 2",
        "planned_start": TODAY.isoformat(),
        "planned_end": (TODAY + timedelta(hours=8)).isoformat(),
        "technician": "technician",
        "inspector": "inspector",
    }


def test_a_request_is_a_work_order_with_its_address(as_planner: Caller, asked: dict[str, Any]) -> None:
    response = as_planner.send("orders/", asked)
    assert response.status_code == 201
    order = WorkOrder.objects.get()
    assert response["Location"] == f"/api/v1/orders/{order.pk}/"
    shown = response.json()
    assert (shown["unit"], shown["engine"], shown["state"]) == ("7012", "12-0457", "requested")
    assert shown["needed_by"] == NEEDED_BY
    assert as_planner.get(response["Location"]).json() == shown


def test_a_request_sent_twice_with_its_key_is_one_work_order(as_planner: Caller, asked: dict[str, Any]) -> None:
    first, second = (as_planner.send("orders/", asked, key="k") for _ in range(2))
    assert WorkOrder.objects.count() == 1
    assert second.json() == first.json()
    assert second["Location"] == first["Location"]


def test_a_technician_requests_nothing(as_technician: Caller, asked: dict[str, Any]) -> None:
    assert_problem(as_technician.send("orders/", asked), 403)


def test_an_order_is_planned_released_and_started(
    as_planner: Caller, as_technician: Caller, requested: WorkOrder, plan: dict[str, Any]
) -> None:
    at = f"orders/{requested.pk}/"
    assert as_planner.send(at + "plan/", plan).json()["state"] == "planned"
    released = as_planner.send(at + "release/").json()
    assert (released["state"], released["engine_type_revision"], released["procedure_revision"]) == ("released", 1, 1)
    assert released["spec"]["target_deg"] == 140.0
    assert as_technician.send(at + "start/").json()["state"] == "in-work"


def test_people_of_another_shop_cannot_be_planned(
    as_planner: Caller, requested: WorkOrder, plan: dict[str, Any], stranger: Person
) -> None:
    response = as_planner.send(f"orders/{requested.pk}/plan/", {**plan, "technician": "stranger"})
    problem = assert_problem(response, 422)
    assert problem["reasons"][0]["field"] == "technician"


def test_a_plan_with_one_person_in_both_places_is_refused(
    as_planner: Caller, requested: WorkOrder, plan: dict[str, Any]
) -> None:
    response = as_planner.send(f"orders/{requested.pk}/plan/", {**plan, "inspector": "technician"})
    assert response.status_code in {409, 422}
    assert response.json()["reasons"]


def test_a_held_order_goes_on(as_manager: Caller, in_work: WorkOrder) -> None:
    at = f"orders/{in_work.pk}/"
    held = as_manager.send(at + "hold/", {"reason": "crane out of order"}).json()
    assert (held["state"], held["held_from"], held["held_reason"]) == ("held", "in-work", "crane out of order")
    assert as_manager.send(at + "resume/").json()["state"] == "in-work"


def test_holding_needs_a_reason(as_manager: Caller, in_work: WorkOrder) -> None:
    response = as_manager.send(f"orders/{in_work.pk}/hold/", {"reason": " "})
    assert assert_problem(response, 422)["reasons"][0]["field"] == "reason"


def test_an_order_in_work_cannot_be_cancelled(as_manager: Caller, in_work: WorkOrder) -> None:
    assert_problem(as_manager.send(f"orders/{in_work.pk}/cancel/", {"reason": "moved"}), 409)


def test_a_requested_order_is_cancelled(as_planner: Caller, requested: WorkOrder) -> None:
    shown = as_planner.send(f"orders/{requested.pk}/cancel/", {"reason": "unit sold"}).json()
    assert (shown["state"], shown["cancelled_reason"]) == ("cancelled", "unit sold")


def test_only_a_closed_order_is_reopened(as_manager: Caller, in_work: WorkOrder) -> None:
    assert_problem(as_manager.send(f"orders/{in_work.pk}/reopen/", {"reason": "ring moved"}), 409)


def test_what_was_decided_on_an_older_view_of_the_order_is_refused(as_manager: Caller, in_work: WorkOrder) -> None:
    seen = in_work.revision
    as_manager.send(f"orders/{in_work.pk}/hold/", {"reason": "crane"})
    response = as_manager.send(f"orders/{in_work.pk}/resume/", {"seen_revision": seen})
    assert_problem(response, 409)


def test_a_finding_is_raised_and_decided_by_another(
    as_technician: Caller, as_manager: Caller, in_work: WorkOrder
) -> None:
    raised = as_technician.send(f"orders/{in_work.pk}/findings/", {"text": "Cover gasket torn", "step": 2})
    assert raised.status_code == 201
    finding = as_technician.get(raised["Location"]).json()
    assert (finding["kind"], finding["step"], finding["raised_by"]) == ("observation", 2, "technician")
    decision = {"decision": "accept", "reason": "renewed at the next visit"}
    at = f"findings/{finding['id']}/decide/"
    assert_problem(as_technician.send(at, decision), 403)
    assert as_manager.send(at, decision).json()["decided_by"] == "manager"
    assert codes(as_manager.send(at, decision))


def test_open_findings_are_listed(as_technician: Caller, in_work: WorkOrder) -> None:
    as_technician.send(f"orders/{in_work.pk}/findings/", {"text": "Cover gasket torn"})
    assert as_technician.read("findings/", decided="false").json()["count"] == 1
    assert as_technician.read("findings/", decided="true").json()["count"] == 0


def test_the_steps_show_what_was_recorded(as_technician: Caller, in_work: WorkOrder, walk: Walk) -> None:
    walk(in_work, until="clamp-caution")
    steps = {step["position"]: step for step in as_technician.read(f"orders/{in_work.pk}/steps/").json()}
    assert len(steps) == 13
    assert steps[1]["acknowledgements"][0]["person"] == "technician"
    assert steps[1]["signal_word"] == "danger"
    assert steps[3]["readings"][0]["value"] == "10.004"
    assert (steps[3]["low"], steps[3]["high"]) == ("9.98", "10.02")
    assert steps[4]["photos"][0]["media_type"] == "image/jpeg"
    assert steps[7]["traces"][0]["latest_analysis"]["verdict"] == "nonconforming"


def test_the_procedures_are_listed_with_their_issued_revision(
    as_planner: Caller, procedure_revision: ProcedureRevision
) -> None:
    found = as_planner.read("procedures/").json()["results"]
    assert [(one["code"], one["issued_revision"]) for one in found] == [("re-time", 1)]
