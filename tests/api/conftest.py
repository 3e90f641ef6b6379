"""Clients of the API as people hold them: each with a token of their own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from rest_framework.authtoken.models import Token
from rest_framework.test import APIClient

from jobs.people.models import Person


class Caller(APIClient):
    """Posts JSON below /api/v1/ unless the body holds a file; `key` is the idempotency key."""

    def ask(self, method: str, path: str, body: Any = None, *, key: str = "", **more: Any) -> Any:
        files = isinstance(body, dict) and any(hasattr(value, "read") for value in body.values())
        headers = {"Idempotency-Key": f'"{key}"'} if key else {}
        call = getattr(self, method.lower())
        if method.upper() in {"GET", "HEAD"}:
            return call(self.root + path, body, **more)
        kind = "multipart" if files else "json"
        return call(self.root + path, {} if body is None else body, format=kind, headers=headers, **more)

    root = "/api/v1/"

    def read(self, path: str, **query: Any) -> Any:
        return self.ask("GET", path, query)

    def send(self, path: str, body: Any = None, **more: Any) -> Any:
        return self.ask("POST", path, body, **more)


@pytest.fixture
def calling() -> Callable[[Person], Caller]:
    """`calling(person)`: a client that calls with that person's token."""

    def call(person: Person) -> Caller:
        token, _ = Token.objects.get_or_create(user=person)
        client = Caller()
        client.credentials(HTTP_AUTHORIZATION=f"Token {token.key}")
        return client

    return call


@pytest.fixture
def as_technician(calling: Callable[[Person], Caller], technician: Person) -> Caller:
    return calling(technician)


@pytest.fixture
def as_planner(calling: Callable[[Person], Caller], planner: Person) -> Caller:
    return calling(planner)


@pytest.fixture
def as_inspector(calling: Callable[[Person], Caller], inspector: Person) -> Caller:
    return calling(inspector)


@pytest.fixture
def as_manager(calling: Callable[[Person], Caller], manager: Person) -> Caller:
    return calling(manager)


@pytest.fixture
def as_keeper(calling: Callable[[Person], Caller], keeper: Person) -> Caller:
    return calling(keeper)


@pytest.fixture
def as_auditor(calling: Callable[[Person], Caller], auditor: Person) -> Caller:
    return calling(auditor)


@pytest.fixture
def as_stranger(calling: Callable[[Person], Caller], stranger: Person) -> Caller:
    return calling(stranger)


def codes(response: Any) -> list[str]:
    """The codes of the reasons of a refusal."""
    return [reason["code"] for reason in response.json()["reasons"]]


def assert_problem(response: Any, status: int) -> dict[str, Any]:
    """The body of an answer that must be problem details of this status."""
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    body: dict[str, Any] = response.json()
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    assert body["type"]
    return body
