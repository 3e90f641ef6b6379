"""Signing in and out, and the way to the page of one's role."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from jobs.people.models import Person
from tests.cast import PASSWORD

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


def test_without_signing_in_every_page_leads_to_sign_in(client: Client) -> None:
    answer = client.get("/orders/")
    assert answer.status_code == 302
    assert answer["Location"] == "/sign-in/?next=/orders/"


def test_name_and_password_lead_home(client: Client, technician: Person) -> None:
    answer = client.post("/sign-in/", {"username": "technician", "password": PASSWORD})
    assert answer.status_code == 302
    assert answer["Location"] == "/"
    assert client.get("/people/").status_code == 200


def test_a_wrong_password_is_told_with_what_to_do_and_the_name_stays(client: Client, technician: Person) -> None:
    answer = client.post("/sign-in/", {"username": "technician", "password": "wrong"})
    assert "do not go together" in answer.text
    assert 'value="technician"' in answer.text


def test_after_ten_wrong_passwords_even_the_right_one_waits(client: Client, technician: Person, settings: Any) -> None:
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = client.post("/sign-in/", {"username": "technician", "password": "wrong"})
    assert answer.status_code == 429
    answer = client.post("/sign-in/", {"username": "technician", "password": PASSWORD})
    assert answer.status_code == 429
    assert "Wait 15 minutes" in answer.text


def test_it_goes_to_where_one_wanted_to_go_but_never_to_another_site(client: Client, technician: Person) -> None:
    form = {"username": "technician", "password": PASSWORD}
    assert client.post("/sign-in/", {**form, "next": "/units/"})["Location"] == "/units/"
    client.post("/sign-out/")
    assert client.post("/sign-in/", {**form, "next": "https://elsewhere.example/"})["Location"] == "/"


def test_signing_out_is_a_post_and_ends_the_session(login: Login, technician: Person) -> None:
    client = login(technician)
    assert client.get("/sign-out/").status_code == 405
    assert client.post("/sign-out/")["Location"] == "/sign-in/"
    assert client.get("/orders/").status_code == 302


@pytest.mark.parametrize(
    ("who", "where"),
    [
        ("technician", "/orders/?who=mine"),
        ("inspector", "/orders/?needs=second-person"),
        ("planner", "/orders/"),
        ("keeper", "/instruments/?sort=due_on"),
        ("manager", "/orders/?sort=needed_by"),
        ("auditor", "/history/"),
        ("admin", "/people/"),
    ],
)
def test_home_is_the_page_of_ones_role(login: Login, request: pytest.FixtureRequest, who: str, where: str) -> None:
    client = login(request.getfixturevalue(who))
    answer = client.get("/")
    assert answer["Location"] == where
    assert client.get(where).status_code == 200
