"""Signing and job cards over the API."""

from __future__ import annotations

import hashlib
from typing import Any

import pytest

from jobs.errands.models import Errand
from jobs.ledger.models import Entry
from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.signoffs import filing
from jobs.signoffs.models import JobCard, SignOff
from tests.api.conftest import Caller, assert_problem, codes
from tests.cast import PASSWORD, STEP
from tests.prepared import prepared
from tests.walking import Walk


@pytest.fixture(autouse=True)
def _own_store(settings: Any, tmp_path: Any) -> None:
    settings.CARD_DIR = tmp_path / "cards"


@pytest.fixture
@prepared
def at_hold_point(in_work: WorkOrder, walk: Walk) -> WorkOrder:
    return walk(in_work, until="stroke-hold")


@pytest.fixture
@prepared
def all_done(at_hold_point: WorkOrder, as_inspector: Caller, walk: Walk) -> WorkOrder:
    assert as_inspector.send(f"orders/{at_hold_point.pk}/signoffs/", hold_point()).status_code == 201
    return walk(at_hold_point)


def hold_point(**changed: Any) -> dict[str, Any]:
    return {"meaning": "hold-point", "step": STEP["stroke-hold"], "password": PASSWORD, **changed}


def test_a_hold_point_is_released_over_the_content_that_was_seen(
    as_inspector: Caller, at_hold_point: WorkOrder
) -> None:
    seen = as_inspector.read(f"orders/{at_hold_point.pk}/content/", step=STEP["stroke-hold"]).json()
    body = hold_point(seen_sha256=seen["content_sha256"])
    response = as_inspector.send(f"orders/{at_hold_point.pk}/signoffs/", body)
    assert response.status_code == 201
    shown = as_inspector.get(response["Location"]).json()
    assert shown["content_sha256"] == seen["content_sha256"]
    assert (shown["signer"], shown["step"], shown["is_void"], shown["faults"]) == (
        "inspector", STEP["stroke-hold"], False, [],
    )  # fmt: skip


def test_what_changed_since_it_was_seen_is_not_signed(as_inspector: Caller, at_hold_point: WorkOrder) -> None:
    body = hold_point(seen_sha256="0" * 64)
    assert_problem(as_inspector.send(f"orders/{at_hold_point.pk}/signoffs/", body), 409)
    assert not SignOff.objects.exists()


@pytest.mark.parametrize("key", ["", "tablet-9"])
def test_a_wrong_password_signs_nothing_and_is_in_the_history(
    as_inspector: Caller, at_hold_point: WorkOrder, key: str
) -> None:
    at = f"orders/{at_hold_point.pk}/signoffs/"
    problem = assert_problem(as_inspector.send(at, hold_point(password="wrong"), key=key), 422)
    assert problem["reasons"] == [
        {
            "code": "wrong-password",
            "sentence": "That is not your password. Nothing was signed.",
            "field": "password",
        }
    ]
    assert not SignOff.objects.exists()
    assert Entry.objects.filter(kind="signoff.refused").count() == 1


def test_an_idempotency_key_gives_no_more_guesses(as_inspector: Caller, at_hold_point: WorkOrder) -> None:
    at = f"orders/{at_hold_point.pk}/signoffs/"
    answers = [as_inspector.send(at, hold_point(password=f"guess {n}"), key=f"k{n}") for n in range(12)]
    assert "too-many-attempts" in codes(answers[-1])
    assert_problem(as_inspector.send(at, hold_point(), key="right"), 409)


def test_the_wrong_role_signs_nothing(as_technician: Caller, as_auditor: Caller, at_hold_point: WorkOrder) -> None:
    for caller in (as_technician, as_auditor):
        assert_problem(caller.send(f"orders/{at_hold_point.pk}/signoffs/", hold_point()), 403)
    assert not SignOff.objects.exists()


def test_the_other_shop_has_nothing_to_sign(as_stranger: Caller, at_hold_point: WorkOrder) -> None:
    assert_problem(as_stranger.send(f"orders/{at_hold_point.pk}/signoffs/", hold_point()), 404)
    assert_problem(as_stranger.read(f"orders/{at_hold_point.pk}/content/"), 404)


def test_three_people_close_a_job_and_its_card_is_asked_for(
    as_technician: Caller, as_inspector: Caller, as_manager: Caller, all_done: WorkOrder
) -> None:
    at = f"orders/{all_done.pk}/signoffs/"
    for caller, meaning in ((as_technician, "performed"), (as_inspector, "verified"), (as_manager, "released")):
        response = caller.send(at, {"meaning": meaning, "password": PASSWORD})
        assert response.status_code == 201, response.content
    assert as_technician.read(f"orders/{all_done.pk}/").json()["state"] == "closed"
    assert as_technician.read("signoffs/", order=all_done.pk, is_void="false").json()["count"] == 4
    assert Errand.objects.filter(kind="render-card").count() == 1


def test_a_signature_sent_twice_with_its_key_is_one(as_technician: Caller, all_done: WorkOrder) -> None:
    body = {"meaning": "performed", "password": PASSWORD}
    first, second = (as_technician.send(f"orders/{all_done.pk}/signoffs/", body, key="s") for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 201)
    assert SignOff.objects.filter(meaning="performed").count() == 1


def test_a_card_is_asked_for_and_watched(as_planner: Caller, in_work: WorkOrder) -> None:
    response = as_planner.send(f"orders/{in_work.pk}/cards/")
    assert response.status_code == 202
    assert as_planner.get(response["Location"]).json()["kind"] == "render-card"


def test_an_auditor_asks_for_no_card(as_auditor: Caller, in_work: WorkOrder) -> None:
    assert_problem(as_auditor.send(f"orders/{in_work.pk}/cards/"), 403)


@pytest.fixture
def card(in_work: WorkOrder, settings: Any) -> JobCard:
    pdf = b"%PDF-1.7 not rendered here"
    filing.file_card(pdf)
    return JobCard.objects.create(
        work_order=in_work,
        shop=in_work.shop,
        number=1,
        token="t" * 43,
        sha256=hashlib.sha256(pdf).hexdigest(),
        size_bytes=len(pdf),
        content_sha256="0" * 64,
        certificate_sha256="0" * 64,
        certificate_subject="CN=Brackwater Yard",
        order_state="in-work",
    )


def test_a_card_is_downloaded_as_it_was_filed(as_auditor: Caller, card: JobCard) -> None:
    (shown,) = as_auditor.read("cards/", order=card.work_order_id).json()["results"]
    response = as_auditor.read(f"cards/{card.pk}/file", HTTP_ACCEPT="application/pdf")
    assert hashlib.sha256(b"".join(response.streaming_content)).hexdigest() == shown["sha256"]
    assert response["Content-Type"] == "application/pdf"
    assert shown["verify"].endswith(f"/verify/{card.token}/")


def test_a_card_that_is_lost_is_told(as_auditor: Caller, card: JobCard) -> None:
    filing.store().path(card.sha256).unlink()
    response = as_auditor.read(f"cards/{card.pk}/file")
    assert_problem(response, 409)
    assert codes(response) == ["card-lost"]


def test_the_other_shop_gets_no_card(as_stranger: Caller, card: JobCard, stranger: Person) -> None:
    assert_problem(as_stranger.read(f"cards/{card.pk}/file"), 404)
    assert as_stranger.read("cards/").json()["count"] == 0


def test_a_card_says_whether_its_file_is_what_was_filed(as_auditor: Caller, card: JobCard) -> None:
    shown = as_auditor.read(f"cards/{card.pk}/").json()
    assert shown["file_sha256"] == shown["sha256"] == card.sha256
    # Byte for byte as it was filed, but nothing that was ever signed: that too is told.
    assert not shown["intact"]
    assert any("No signature can be read" in fault for fault in shown["faults"])
    filing.store().path(card.sha256).chmod(0o600)
    filing.store().path(card.sha256).write_bytes(b"%PDF-1.7 altered")
    shown = as_auditor.read(f"cards/{card.pk}/").json()
    assert shown["file_sha256"] == hashlib.sha256(b"%PDF-1.7 altered").hexdigest()
    assert any("The file is not what was filed" in fault for fault in shown["faults"])
    filing.store().path(card.sha256).unlink()
    shown = as_auditor.read(f"cards/{card.pk}/").json()
    assert (shown["file_sha256"], shown["intact"]) == (None, False)
    assert any("cannot be read. Restore it" in fault for fault in shown["faults"])
    (listed,) = as_auditor.read("cards/").json()["results"]
    assert "intact" not in listed  # every file read for every list would be slow
