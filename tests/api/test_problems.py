"""Every error of the API is problem details (RFC 9457), wherever it arises."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import OperationalError
from django.test import Client

from jobs.orders import queries
from jobs.orders.models import WorkOrder
from tests.api.conftest import Caller, assert_problem, codes


def test_without_signing_in_nothing_is_given_out(db: None) -> None:
    response = Client().get("/api/v1/orders/")
    assert_problem(response, 401)
    assert response["WWW-Authenticate"] == "Token"


@pytest.mark.parametrize("path", ["/api/v1/", "/api/v1/nothing/", "/api/v1/orders", "/api/v1/orders/x/"])
def test_an_address_that_is_none_is_not_found(as_technician: Caller, path: str) -> None:
    assert_problem(as_technician.get(path), 404)
    assert_problem(as_technician.post(path), 404)


def test_an_address_below_the_api_of_no_version_is_not_found(as_technician: Caller) -> None:
    assert_problem(as_technician.get("/api/"), 404)


def test_another_shops_order_is_not_found(as_stranger: Caller, requested: WorkOrder) -> None:
    assert assert_problem(as_stranger.read(f"orders/{requested.pk}/"), 404)["title"] == "Not found"


def test_a_number_larger_than_any_id_is_not_found(as_technician: Caller) -> None:
    assert_problem(as_technician.read(f"orders/{10**30}/"), 404)


def test_a_page_beyond_the_last_is_not_found(as_technician: Caller) -> None:
    assert_problem(as_technician.read("orders/", page=9), 404)


def test_a_method_that_is_none_is_told_with_those_there_are(as_technician: Caller) -> None:
    response = as_technician.ask("DELETE", "orders/")
    assert_problem(response, 405)
    assert response["Allow"] == "GET, POST, HEAD, OPTIONS"


def test_options_tell_nothing(as_technician: Caller) -> None:
    assert_problem(as_technician.ask("OPTIONS", "orders/"), 405)


def test_a_body_of_another_kind_is_refused(as_planner: Caller, requested: WorkOrder) -> None:
    response = as_planner.post("/api/v1/orders/", "unit=7012", content_type="application/x-www-form-urlencoded")
    assert_problem(response, 415)


def test_an_answer_of_another_kind_cannot_be_given(as_planner: Caller) -> None:
    assert_problem(as_planner.get("/api/v1/orders/", HTTP_ACCEPT="application/xml"), 406)


@pytest.mark.parametrize(
    "body", ["{", '{"unit": NaN}', b"\xff\xfe", "[" * 100_000], ids=["torn", "NaN", "bytes", "nested"]
)
def test_a_body_that_is_not_json_cannot_be_read(as_planner: Caller, body: Any) -> None:
    assert_problem(as_planner.post("/api/v1/orders/", body, content_type="application/json"), 400)


@pytest.mark.parametrize("body", [[1], "text", None])
def test_json_that_is_not_an_object_is_not_accepted(as_planner: Caller, body: Any) -> None:
    response = as_planner.post("/api/v1/orders/", body, format="json")
    assert_problem(response, 422)


def test_a_multipart_body_without_its_boundary_cannot_be_read(as_technician: Caller, in_work: WorkOrder) -> None:
    path = f"/api/v1/orders/{in_work.pk}/steps/7/traces/"
    assert_problem(as_technician.post(path, b"x", content_type="multipart/form-data"), 400)


def test_five_megabytes_of_json_are_too_large(as_planner: Caller) -> None:
    body = '{"reason_note": "' + "x" * 5_000_000 + '"}'
    problem = assert_problem(as_planner.post("/api/v1/orders/", body, content_type="application/json"), 413)
    assert "5.0 MB" in problem["detail"]


def test_every_value_that_is_missing_or_wrong_is_named(as_planner: Caller, requested: WorkOrder) -> None:
    response = as_planner.send("orders/", {"unit": "9999", "priority": 7, "needed_by": "2026-03-14T09:20:05"})
    problem = assert_problem(response, 422)
    fields = {reason["field"]: reason["code"] for reason in problem["reasons"]}
    assert fields == {
        "unit": "does_not_exist",
        "procedure": "required",
        "reason": "required",
        "priority": "invalid_choice",
        "needed_by": "no_offset",
    }


def test_a_misspelt_field_is_not_passed_over(as_planner: Caller, requested: WorkOrder) -> None:
    response = as_planner.send(f"orders/{requested.pk}/cancel/", {"reson": "moved"})
    assert_problem(response, 422)
    assert codes(response) == ["unknown-field"]


def test_a_filter_with_an_impossible_value_is_not_accepted(as_planner: Caller) -> None:
    assert_problem(as_planner.read("orders/", state="asleep"), 422)


def test_a_rule_refuses_with_every_reason(as_planner: Caller, requested: WorkOrder) -> None:
    problem = assert_problem(as_planner.send(f"orders/{requested.pk}/release/"), 409)
    assert problem["detail"] == " ".join(reason["sentence"] for reason in problem["reasons"])


def test_the_wrong_person_is_told_who_may(as_auditor: Caller, requested: WorkOrder) -> None:
    problem = assert_problem(as_auditor.send(f"orders/{requested.pk}/release/"), 403)
    assert problem["detail"].startswith("Only a planner may release a work order to the floor. Ada Audley holds:")


def test_a_mistake_of_ours_is_a_problem_too(as_technician: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(person: object) -> None:
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(queries, "orders_for", fail)
    as_technician.raise_request_exception = False
    problem = assert_problem(as_technician.read("orders/"), 500)
    assert "secret" not in str(problem)


def test_a_database_that_does_not_answer_is_busy(as_technician: Caller, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(person: object) -> None:
        raise OperationalError("database is locked")

    monkeypatch.setattr(queries, "orders_for", fail)
    response = as_technician.read("orders/")
    assert_problem(response, 503)
    assert int(response["Retry-After"]) > 0
