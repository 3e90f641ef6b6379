"""The pages that answer when no view could: another role, no role, nothing there, too old, cut off, our mistake."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.conf import settings
from django.test import Client, RequestFactory
from django.urls import reverse

from jobs.orders.models import Trace, WorkOrder
from jobs.people.models import Person
from shopapp import handlers
from tests.cast import PASSWORD, STEP

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


def words(answer: Any) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.content.decode()))


def test_another_role_is_named_with_a_way_on(login: Login, auditor: Person) -> None:
    answer = login(auditor).get(reverse("work-order-new"))
    assert answer.status_code == 403
    assert "Only a planner or shop manager may request a work order." in words(answer)
    assert '<a class="button" href="/">' in answer.text


def test_without_any_role_the_page_says_whom_to_ask_and_does_not_lead_in_a_circle(
    login: Login, technician: Person
) -> None:
    technician.grants.all().delete()
    answer = login(technician).get("/", follow=True)
    assert answer.status_code == 403
    assert "You hold no role today" in answer.text
    assert f"Ask an administrator of {technician.shop.name} for a role" in words(answer)
    assert 'class="button" href="/"' not in answer.text
    assert "Sign out" in answer.text


def test_what_is_not_there_says_so(login: Login, auditor: Person) -> None:
    answer = login(auditor).get("/orders/99999/")
    assert answer.status_code == 404
    assert "There is nothing at this address" in answer.text


def test_our_own_mistake_states_the_time_and_is_drawn_like_the_rest() -> None:
    answer = handlers.server_error(RequestFactory().get("/orders/"))
    assert answer.status_code == 500
    assert "What you did was not stored." in words(answer)
    time = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC"
    assert re.search(f"tell the administrator what you did and this time: {time}", words(answer))
    assert f'href="{settings.STATIC_URL}midflank.css"' in answer.content.decode()


def test_a_page_that_was_open_too_long_says_so(technician: Person) -> None:
    client = Client(enforce_csrf_checks=True)
    answer = client.post(reverse("sign-in"), {"username": technician.username, "password": PASSWORD})
    assert answer.status_code == 403
    assert "This page was open too long" in answer.text
    assert "cut off" not in answer.text


@pytest.mark.parametrize(
    ("referrer", "leads_to"),
    [
        ("http://testserver/orders/7/?x=1", "/orders/7/?x=1"),
        ("https://forged.example/trap/", "/"),
        ("", "/"),
    ],
)
def test_the_way_back_leads_only_to_pages_of_ours(technician: Person, referrer: str, leads_to: str) -> None:
    client = Client(enforce_csrf_checks=True)
    answer = client.post(reverse("sign-in"), {"username": technician.username}, HTTP_REFERER=referrer)
    address = re.search(r'<a class="button" href="([^"]+)">Load the page again</a>', answer.text)
    assert address is not None
    assert address[1].removeprefix("http://testserver") == leads_to


class EndsEarly(io.BytesIO):
    """What a server hands on when the client has stopped sending and waits for an answer."""


@pytest.mark.parametrize("kept", [0.02, 0.5, 0.99])
def test_an_upload_that_was_cut_off_is_told_as_that(
    technician: Person, in_work: WorkOrder, probe: Any, encoder: Any, kept: float
) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(technician)
    page = reverse("step", args=[in_work.pk, STEP["as-found"]])
    token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', client.get(page).text)
    assert token is not None
    parts = {"csrfmiddlewaretoken": token[1], "act": "trace", "probe": probe.pk, "encoder": encoder.pk}
    body = b"".join(
        f'--x\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
        for name, value in parts.items()
    )
    body += b'--x\r\nContent-Disposition: form-data; name="file"; filename="a.csv"\r\n\r\n' + b"0,1,2\n" * 5000
    body += b"\r\n--x--\r\n"
    came = EndsEarly(body[: int(len(body) * kept)])
    sent = {"CONTENT_TYPE": "multipart/form-data; boundary=x", "CONTENT_LENGTH": str(len(body)), "wsgi.input": came}
    answer = client.generic("POST", page, b"", **sent)
    assert answer.status_code == 400
    assert "The upload was cut off before all of it had arrived. Nothing was stored. Send it again." in words(answer)
    assert "open too long" not in words(answer)
    assert not Trace.objects.exists()
