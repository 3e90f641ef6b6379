"""Getting in: a token for a password, throttled like sign-in; sessions only with their CSRF token."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from axes.utils import reset
from django.test import Client
from rest_framework.authtoken.models import Token
from rest_framework.test import APIClient

from jobs.people.models import Person
from tests.api.conftest import Caller, assert_problem
from tests.cast import PASSWORD


@pytest.fixture(autouse=True)
def _nobody_locked_out(db: None) -> Iterator[None]:
    reset()
    yield
    reset()


def sign_in(username: str, password: str) -> Any:
    body = {"username": username, "password": password}
    return APIClient().post("/api/v1/token/", body, format="json")


def test_a_password_gives_a_token_that_lets_one_in(technician: Person) -> None:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {sign_in('technician', PASSWORD).json()['token']}")
    assert client.get("/api/v1/me/").json()["name"] == "Tom Turner"


def test_the_token_stays_the_same(technician: Person) -> None:
    assert sign_in("technician", PASSWORD).json() == sign_in("technician", PASSWORD).json()


@pytest.mark.parametrize(("username", "password"), [("technician", "wrong"), ("nobody", PASSWORD)])
def test_a_wrong_name_and_a_wrong_password_get_the_same_answer(
    technician: Person, username: str, password: str
) -> None:
    problem = assert_problem(sign_in(username, password), 401)
    assert problem["detail"] == "There is no such username and password, or the account is not active."


def test_an_inactive_account_gets_no_token_and_its_token_is_worthless(
    technician: Person, as_technician: Caller
) -> None:
    technician.is_active = False
    technician.save(update_fields=["is_active"])
    assert_problem(sign_in("technician", PASSWORD), 401)
    assert_problem(as_technician.read("me/"), 401)


def test_after_ten_wrong_passwords_even_the_right_one_waits(technician: Person) -> None:
    for _ in range(10):
        sign_in("technician", "wrong")
    response = sign_in("technician", PASSWORD)
    problem = assert_problem(response, 429)
    assert problem["detail"] == "Too many wrong passwords. Wait 15 minutes, then try again."
    assert response["Retry-After"] == "900"
    assert not Token.objects.exists()


def test_a_token_given_back_is_worthless(as_technician: Caller) -> None:
    assert as_technician.send("token/give-back/").status_code == 204
    assert_problem(as_technician.read("me/"), 401)


def test_a_session_writes_only_with_its_csrf_token(technician: Person) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(technician, backend="django.contrib.auth.backends.ModelBackend")
    assert client.get("/api/v1/me/").status_code == 200
    response = client.post("/api/v1/token/give-back/")
    assert "CSRF" in assert_problem(response, 403)["detail"]


def test_a_session_with_its_csrf_token_writes(technician: Person) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(technician, backend="django.contrib.auth.backends.ModelBackend")
    client.cookies["csrftoken"] = "a" * 32
    response = client.post("/api/v1/token/give-back/", headers={"X-CSRFToken": "a" * 32})
    assert response.status_code == 204


def test_me_tells_what_one_may_do(as_technician: Caller, as_auditor: Caller) -> None:
    assert as_technician.read("me/").json()["roles"] == ["technician"]
    assert "do-step" in as_technician.read("me/").json()["may"]
    assert as_auditor.read("me/").json()["may"] == [
        "export-history", "read-history", "see-plan", "see-work", "verify-ledger"
    ]  # fmt: skip
