"""The same write sent twice: one effect, one answer. Run against a small view whose effect is a skill."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import OperationalError, connection, transaction
from django.test import Client
from django.urls import path
from django.utils import timezone
from rest_framework.parsers import JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.test import APIClient

from jobs.errors import NotAllowed, Reason
from jobs.people import idempotency
from jobs.people.models import KeptAnswer, Person, Skill
from jobs.people.shopviews import ShopView

pytestmark = pytest.mark.urls(__name__)
KEY = '"8e03978e-40d5-43dd-bc93-6894a57f9324"'


class PowerCut(BaseException):
    """What no handler catches: stands for a process that is gone in mid-request."""


class SkillsView(ShopView):
    parser_classes = [JSONParser, MultiPartParser]
    requires = {"post": "see-work"}
    entered = threading.Event()
    go_on = threading.Event()

    def post(self, request: Request) -> Response:
        with transaction.atomic():
            skill = Skill.objects.create(code=request.data["code"], title="x")
            mode = request.data.get("mode")
            if mode == "refuse":
                raise NotAllowed([Reason("closed", "It is closed.")])
            if mode == "cut":
                raise PowerCut
            if mode == "fail":
                raise ZeroDivisionError
            if mode == "slow":
                self.entered.set()
                assert self.go_on.wait(30)
        return Response({"id": skill.pk}, status=201, headers={"Location": f"/skills/{skill.pk}/"})


urlpatterns = [path("api/skills/", SkillsView.as_view())]


@pytest.fixture
def client(technician: Person) -> APIClient:
    client = APIClient(raise_request_exception=False)
    client.force_authenticate(technician)
    return client


def send(client: Client, body: dict[str, Any], key: str = KEY, **more: Any) -> Any:
    return client.post("/api/skills/", body, format="json", headers={"Idempotency-Key": key}, **more)


def test_the_same_request_again_gives_the_first_answer_and_no_second_effect(client: APIClient) -> None:
    first, second = send(client, {"code": "a"}), send(client, {"code": "a"})
    assert Skill.objects.filter(code="a").count() == 1
    assert (second.status_code, second.content) == (201, first.content)
    assert second["Location"] == first["Location"]
    assert second["Idempotency-Replayed"] == "?1"
    assert "Idempotency-Replayed" not in first


def test_a_refusal_is_given_again_with_its_reasons(client: APIClient) -> None:
    first = send(client, {"code": "a", "mode": "refuse"})
    second = send(client, {"code": "a", "mode": "refuse"})
    assert first.status_code == second.status_code == 409
    assert second["Content-Type"] == "application/problem+json"
    assert second.json()["reasons"] == [{"code": "closed", "sentence": "It is closed.", "field": ""}]
    assert not Skill.objects.filter(code="a").exists()


def test_the_same_key_with_another_request_is_refused(client: APIClient) -> None:
    send(client, {"code": "a"})
    other = send(client, {"code": "b"})
    assert other.status_code == 422
    assert other.json()["reasons"][0]["code"] == "key-reused"
    assert not Skill.objects.filter(code="b").exists()


def test_the_order_of_fields_makes_no_other_request(client: APIClient) -> None:
    send(client, {"code": "a", "mode": ""})
    assert send(client, {"mode": "", "code": "a"})["Idempotency-Replayed"] == "?1"


def test_an_upload_again_is_the_same_request_whatever_its_boundary(client: APIClient) -> None:
    def upload(content: bytes) -> Any:
        body = {"code": "a", "file": SimpleUploadedFile("t.csv", content)}
        return client.post("/api/skills/", body, format="multipart", headers={"Idempotency-Key": KEY})

    assert upload(b"1,2").status_code == 201
    assert upload(b"1,2")["Idempotency-Replayed"] == "?1"
    assert upload(b"1,3").status_code == 422


def test_a_key_belongs_to_one_person(client: APIClient, technician2: Person) -> None:
    send(client, {"code": "a"})
    client.force_authenticate(technician2)
    assert send(client, {"code": "b"}).status_code == 201


def test_without_a_key_each_request_stands_for_itself(client: APIClient) -> None:
    for code in ("a", "b"):
        assert client.post("/api/skills/", {"code": code}, format="json").status_code == 201
    assert not KeptAnswer.objects.exists()


def test_a_bare_key_is_the_same_key(client: APIClient) -> None:
    send(client, {"code": "a"}, key='"k-1"')
    assert send(client, {"code": "a"}, key="k-1")["Idempotency-Replayed"] == "?1"


@pytest.mark.parametrize("key", ["", '""', '"a', '"' + "x" * 101 + '"', "two words", '"caf\u00e9"'])
def test_what_is_no_key_is_refused(client: APIClient, key: str) -> None:
    response = send(client, {"code": "a"}, key=key)
    assert response.status_code == 400
    assert response.json()["title"] == "Bad key"
    assert not Skill.objects.filter(code="a").exists()


def test_a_body_that_cannot_be_read_claims_no_key(client: APIClient) -> None:
    headers = {"Idempotency-Key": KEY}
    response = client.post("/api/skills/", "{", content_type="application/json", headers=headers)
    assert response.status_code == 400
    assert not KeptAnswer.objects.exists()


def test_after_a_crash_in_the_middle_the_same_request_is_done_once(client: APIClient) -> None:
    with pytest.raises(PowerCut):
        send(client, {"code": "a", "mode": "cut"})
    row = KeptAnswer.objects.get()
    assert row.status is None
    assert not Skill.objects.filter(code="a").exists()
    SkillsView.post, original = _plain_post, SkillsView.post  # type: ignore[method-assign]
    try:
        assert send(client, {"code": "a", "mode": "cut"}).status_code == 201
    finally:
        SkillsView.post = original  # type: ignore[method-assign]
    assert send(client, {"code": "a", "mode": "cut"})["Idempotency-Replayed"] == "?1"
    assert Skill.objects.filter(code="a").count() == 1


def _plain_post(self: SkillsView, request: Request) -> Response:
    return Response({"id": Skill.objects.create(code=request.data["code"], title="x").pk}, status=201)


def test_an_effect_without_its_answer_is_not_committed(
    client: APIClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    def die(*args: Any) -> None:
        raise PowerCut

    with monkeypatch.context() as patch:
        patch.setattr(idempotency, "keep", die)
        with pytest.raises(PowerCut):
            send(client, {"code": "a"})
    assert not Skill.objects.filter(code="a").exists()
    assert send(client, {"code": "a"}).status_code == 201


def test_an_error_of_ours_is_not_kept(client: APIClient) -> None:
    assert send(client, {"code": "a", "mode": "fail"}).status_code == 500
    assert KeptAnswer.objects.get().status is None


def test_answers_are_forgotten_after_thirty_days(client: APIClient) -> None:
    send(client, {"code": "a"}, key='"old"')
    KeptAnswer.objects.update(asked_at=timezone.now() - timedelta(days=31))
    send(client, {"code": "b"}, key='"new"')
    assert list(KeptAnswer.objects.values_list("key", flat=True)) == ["new"]


def test_the_fingerprint_needs_the_secret_of_the_installation(client: APIClient, settings: Any) -> None:
    send(client, {"code": "a"})
    settings.SECRET_KEY = "another " * 8
    assert send(client, {"code": "a"}).status_code == 422


@pytest.fixture
def impatient() -> Iterator[None]:
    """SQLite waits for another writer; here it waits for a tenth of a second only."""
    if connection.vendor == "sqlite":
        original = connection.settings_dict["OPTIONS"]
        connection.settings_dict["OPTIONS"] = {**original, "timeout": 0.1}
        yield
        connection.settings_dict["OPTIONS"] = original
    else:
        yield


@pytest.mark.django_db(transaction=True)
def test_while_the_first_is_under_way_the_second_is_told_to_wait(impatient: None, technician: Person) -> None:
    answers: dict[str, Any] = {}
    SkillsView.entered.clear()
    SkillsView.go_on.clear()

    def ask(name: str) -> None:
        client = APIClient()
        client.force_authenticate(technician)
        try:
            answers[name] = send(client, {"code": "a", "mode": "slow"})
        finally:
            connection.close()

    first = threading.Thread(target=ask, args=["first"])
    first.start()
    try:
        assert SkillsView.entered.wait(10)
        second = threading.Thread(target=ask, args=["second"])
        second.start()
        second.join(20)
    finally:
        SkillsView.go_on.set()
        first.join(20)
    assert answers["first"].status_code == 201
    assert answers["second"].status_code == 409
    assert answers["second"].json()["title"] == "Under way"
    assert int(answers["second"]["Retry-After"]) > 0
    ask("third")
    assert answers["third"]["Idempotency-Replayed"] == "?1"
    assert Skill.objects.filter(code="a").count() == 1


def test_a_database_that_fails_inside_the_action_is_not_taken_for_another_request(client: APIClient) -> None:
    def fail(self: SkillsView, request: Request) -> Response:
        raise OperationalError("gone")

    SkillsView.post, original = fail, SkillsView.post  # type: ignore[method-assign]
    try:
        assert send(client, {"code": "a"}).status_code == 503
    finally:
        SkillsView.post = original  # type: ignore[method-assign]
