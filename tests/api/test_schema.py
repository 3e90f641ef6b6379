"""The OpenAPI description is valid, complete and not public."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from django.core.management import call_command
from django.test import Client

from tests.api.conftest import Caller, assert_problem


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    file = tmp_path_factory.mktemp("schema") / "schema.yaml"
    call_command("spectacular", "--validate", "--fail-on-warn", "--file", str(file))
    found: dict[str, Any] = yaml.safe_load(file.read_text(encoding="utf-8"))
    return found


def operations(described: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    return [
        (path, method, operation)
        for path, methods in described["paths"].items()
        for method, operation in methods.items()
    ]


def test_it_is_valid_openapi_3_1_without_a_warning(described: dict[str, Any]) -> None:
    assert described["openapi"] == "3.1.0"


def test_every_write_but_the_token_takes_an_idempotency_key(described: dict[str, Any]) -> None:
    without = {
        path
        for path, method, operation in operations(described)
        if method != "get" and "Idempotency-Key" not in {p["name"] for p in operation.get("parameters", [])}
    }
    assert without == {"/api/v1/token/"}


def test_every_operation_says_that_errors_are_problem_details(described: dict[str, Any]) -> None:
    for path, _, operation in operations(described):
        assert "application/problem+json" in operation["responses"]["default"]["content"], path


def test_it_names_the_draft_that_idempotency_keys_follow(described: dict[str, Any]) -> None:
    assert "draft-ietf-httpapi-idempotency-key-header-07" in described["info"]["description"]


def test_it_is_served_to_signed_in_people_only(as_auditor: Caller) -> None:
    assert as_auditor.get("/api/v1/schema/").status_code == 200
    assert_problem(Client().get("/api/v1/schema/"), 401)
