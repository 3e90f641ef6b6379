"""The shop's people on the screen: who holds what, and an administrator's records of it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from jobs.people.models import Person, Shop

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


def test_the_list_shows_roles_and_qualifications_of_ones_own_shop_only(
    login: Login, planner: Person, inspector: Person, stranger: Person
) -> None:
    page = login(planner).get("/people/").text
    assert "Ines Inskip" in page
    assert "Verify a timing job" in page
    assert "Sam Stray" not in page


def test_the_filter_by_role_keeps_those_who_hold_it(login: Login, planner: Person, inspector: Person) -> None:
    page = login(planner).get("/people/?role=inspector").text
    assert "Ines Inskip" in page
    assert f'href="/people/{planner.pk}/"' not in page


def test_the_csv_holds_what_the_filter_shows(login: Login, planner: Person, inspector: Person) -> None:
    answer: Any = login(planner).get("/people.csv?role=inspector")
    rows = list(csv.DictReader(io.StringIO(b"".join(answer.streaming_content).decode("utf-8-sig"))))
    assert [row["name"] for row in rows] == ["Ines Inskip"]
    assert "Verify a timing job from 2020-01-01 until 2066-01-10" in rows[0]["qualifications"]


def test_another_shops_person_is_not_found(login: Login, planner: Person, stranger: Person) -> None:
    assert login(planner).get(f"/people/{stranger.pk}/").status_code == 404


def test_an_administrator_enters_a_qualification(login: Login, admin: Person, keeper: Person, skills: Any) -> None:
    answer = login(admin).post(
        f"/people/{keeper.pk}/",
        {
            "act": "qualification",
            "qualification-skill": skills["bar-engine"].pk,
            "qualification-valid_from": "2026-02-01",
            "qualification-evidence": "assessment 31",
        },
    )
    assert answer.status_code == 302
    assert keeper.qualifications.get().evidence == "assessment 31"


def test_reversed_dates_are_refused_at_their_field_and_what_was_typed_stays(
    login: Login, admin: Person, keeper: Person, skills: Any
) -> None:
    answer = login(admin).post(
        f"/people/{keeper.pk}/",
        {
            "act": "qualification",
            "qualification-skill": skills["bar-engine"].pk,
            "qualification-valid_from": "2026-02-01",
            "qualification-valid_until": "2026-01-01",
            "qualification-evidence": "assessment 31",
        },
    )
    assert answer.status_code == 422
    assert "before it begins" in answer.text
    assert 'value="assessment 31"' in answer.text


def test_the_last_administrator_stays_one(login: Login, admin: Person) -> None:
    grant = admin.grants.get()
    answer = login(admin).post(
        f"/people/{admin.pk}/", {"act": "end-role", "end-role-grant": grant.pk, "end-role-on": "2026-12-31"}
    )
    assert answer.status_code == 409
    assert "only administrator" in answer.text


def test_somebody_who_is_no_administrator_changes_nobody(login: Login, planner: Person, keeper: Person) -> None:
    answer = login(planner).post(
        f"/people/{keeper.pk}/", {"act": "role", "role-role": "planner", "role-valid_from": "2026-01-01"}
    )
    assert answer.status_code == 403
    assert "Only an administrator may" in answer.text
    assert login(planner).get("/people/new/").status_code == 403


def test_an_administrator_adds_somebody_who_then_signs_in(login: Login, admin: Person, brackwater: Shop) -> None:
    form = {"username": "new-one", "name": "Nell Newly", "password": "a-long-first-word", "roles": ["technician"]}
    answer = login(admin).post("/people/new/", form)
    assert answer.status_code == 302
    signed_in = Client().post("/sign-in/", {"username": "new-one", "password": "a-long-first-word"})
    assert signed_in["Location"] == "/"


@pytest.mark.parametrize("count", [10, 1000])
def test_more_people_cost_no_more_queries(
    login: Login, planner: Person, brackwater: Shop, django_assert_num_queries: Any, count: int
) -> None:
    Person.objects.bulk_create(
        Person(username=f"p{number}", name=f"Person {number:04d}", shop=brackwater) for number in range(count)
    )
    client = login(planner)
    with django_assert_num_queries(8):
        page = client.get("/people/")
    assert page.status_code == 200
