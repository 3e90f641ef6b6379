"""How far a piece of work is: a page for whoever has no script, a fragment for htmx."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from jobs.errands.models import Errand
from jobs.people.models import Person, Shop

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


def an_errand(**fields: Any) -> Errand:
    given = {"kind": "analyse-trace", "once_key": "analyse-trace:x", "chain": "BY", **fields}
    return Errand.objects.create(**given)


def test_a_queued_errand_asks_htmx_to_look_again_and_offers_a_link_without_script(
    login: Login, technician: Person
) -> None:
    errand = an_errand()
    page = login(technician).get(f"/errands/{errand.pk}/").text
    assert "queued" in page
    assert f'hx-get="/errands/{errand.pk}/"' in page
    assert '<noscript><meta http-equiv="refresh"' in page
    assert f'<a href="/errands/{errand.pk}/">' in page


def test_htmx_gets_the_fragment_only(login: Login, technician: Person) -> None:
    errand = an_errand(state="running", progress_done=2, progress_total=5, progress_note="Cutting.")
    answer = login(technician).get(f"/errands/{errand.pk}/", headers={"HX-Request": "true"})
    assert "<html" not in answer.text
    assert "2 of 5" in answer.text
    assert "HX-Trigger" not in answer


def test_the_end_is_told_to_the_page_and_nothing_asks_again(login: Login, technician: Person) -> None:
    errand = an_errand(state="failed", reason="The file is missing from the store.")
    answer = login(technician).get(f"/errands/{errand.pk}/", headers={"HX-Request": "true"})
    assert answer["HX-Trigger"] == "errand-ended"
    assert "The file is missing from the store." in answer.text
    assert "hx-get" not in answer.text


@pytest.mark.parametrize(
    ("state", "heading"), [("running", "how far it is"), ("done", "how it ended"), ("failed", "how it ended")]
)
def test_the_heading_says_whether_it_has_ended(login: Login, technician: Person, state: str, heading: str) -> None:
    ended = {} if state == "running" else {"finished_at": timezone.now()}
    page = login(technician).get(f"/errands/{an_errand(state=state, **ended).pk}/").text
    assert f": {heading}</h1>" in page


def test_another_shops_errand_is_not_found(login: Login, technician: Person, port_ansel: Shop) -> None:
    errand = an_errand(chain="PA")
    assert login(technician).get(f"/errands/{errand.pk}/").status_code == 404


def test_the_answer_is_never_kept_by_a_browser(login: Login, technician: Person) -> None:
    assert "no-store" in login(technician).get(f"/errands/{an_errand().pk}/")["Cache-Control"]
