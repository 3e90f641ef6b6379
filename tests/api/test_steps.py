"""The steps of a work order over the API."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from jobs.orders.models import Reading, WorkOrder
from tests.api.conftest import Caller, assert_problem, codes
from tests.cast import STEP
from tests.prepared import prepared
from tests.walking import Walk

PNG = b"\x89PNG\r\n\x1a\n" + b"x" * 50


@pytest.fixture(autouse=True)
def _own_store(settings: Any, tmp_path: Any) -> None:
    settings.PHOTO_DIR = tmp_path / "photos"


def at(order: WorkOrder, step: str, what: str = "") -> str:
    return f"orders/{order.pk}/steps/{STEP[step]}/{what}"


def test_a_caution_is_acknowledged_by_each_for_themselves(as_technician: Caller, in_work: WorkOrder) -> None:
    shown = as_technician.send(at(in_work, "lock-caution", "acknowledge/")).json()
    assert shown["state"] == "done"
    assert [one["person"] for one in shown["acknowledgements"]] == ["technician"]
    assert_problem(as_technician.send(at(in_work, "lock-caution", "acknowledge/")), 409)


def test_a_step_before_its_turn_is_refused_with_every_reason(as_technician: Caller, in_work: WorkOrder) -> None:
    problem = assert_problem(as_technician.send(at(in_work, "own-lock", "confirm/")), 409)
    assert len(problem["reasons"]) >= 1


def test_a_confirmation_keeps_its_note(as_technician: Caller, in_work: WorkOrder, walk: Walk) -> None:
    walk(in_work, until="own-lock")
    shown = as_technician.send(at(in_work, "own-lock", "confirm/"), {"note": "Locks 11 to 14"}).json()
    assert (shown["state"], shown["done_by"], shown["note"]) == ("done", "technician", "Locks 11 to 14")


@pytest.fixture
@prepared
def at_reading(in_work: WorkOrder, walk: Walk) -> WorkOrder:
    return walk(in_work, until="pre-use-check")


def test_a_reading_takes_a_comma(as_technician: Caller, at_reading: WorkOrder) -> None:
    body = {"entered": "10,004", "unit": "mm", "instrument": "PR-07", "also": ["CS-02"]}
    shown = as_technician.send(at(at_reading, "pre-use-check", "readings/"), body).json()
    (reading,) = shown["readings"]
    assert (reading["entered"], reading["value"], reading["within"]) == ("10,004", "10.004", True)
    assert shown["state"] == "done"


def test_a_reading_in_inches_is_asked_about(as_technician: Caller, at_reading: WorkOrder) -> None:
    body = {"entered": "0.3939", "unit": "mm", "instrument": "PR-07", "also": ["CS-02"]}
    response = as_technician.send(at(at_reading, "pre-use-check", "readings/"), body)
    assert "unit-suspicion" in codes(response)
    assert not Reading.objects.exists()
    again = as_technician.send(at(at_reading, "pre-use-check", "readings/"), {**body, "unit_confirmed": True})
    assert again.json()["findings"][0]["kind"] == "reading"


def test_an_instrument_of_another_shop_is_none(
    as_technician: Caller, at_reading: WorkOrder, calibrated: Any, port_ansel: Any
) -> None:
    calibrated("PR-90", "probe", shop=port_ansel)
    body = {"entered": "10.004", "unit": "mm", "instrument": "PR-90", "also": ["CS-02"]}
    response = as_technician.send(at(at_reading, "pre-use-check", "readings/"), body)
    assert assert_problem(response, 422)["detail"] == "There is no instrument PR-90 in your shop."


def test_a_reading_is_corrected_with_a_reason(as_technician: Caller, at_reading: WorkOrder, walk: Walk) -> None:
    walk(at_reading, until="probe-photo")
    reading = Reading.objects.get()
    body = {"entered": "10.001", "unit": "mm", "reason": "slip of the pen"}
    shown = as_technician.send(f"readings/{reading.pk}/correct/", body).json()
    (counts,) = shown["readings"]
    assert (counts["value"], counts["supersedes"], counts["correction_reason"]) == (
        "10.001", reading.pk, "slip of the pen",
    )  # fmt: skip


def test_a_photo_is_kept_and_given_out_again(as_technician: Caller, in_work: WorkOrder, walk: Walk) -> None:
    walk(in_work, until="probe-photo")
    file = SimpleUploadedFile("probe.png", PNG, content_type="image/png")
    shown = as_technician.send(at(in_work, "probe-photo", "photos/"), {"file": file}).json()
    (photo,) = shown["photos"]
    response = as_technician.read(f"photos/{photo['id']}/file")
    assert b"".join(response.streaming_content) == PNG
    assert response["Content-Type"] == "image/png"


def test_what_is_no_picture_is_refused(as_technician: Caller, in_work: WorkOrder, walk: Walk) -> None:
    walk(in_work, until="probe-photo")
    file = SimpleUploadedFile("probe.png", b"not a picture", content_type="image/png")
    response = as_technician.send(at(in_work, "probe-photo", "photos/"), {"file": file})
    assert assert_problem(response, 422)["reasons"][0]["code"] == "not-a-picture"


def test_a_photo_as_json_is_another_media_type(as_technician: Caller, in_work: WorkOrder) -> None:
    assert_problem(as_technician.send(at(in_work, "probe-photo", "photos/"), {"file": "x"}), 415)


def test_a_step_is_left_out_only_when_it_may_be(as_technician: Caller, in_work: WorkOrder, walk: Walk) -> None:
    walk(in_work, until="clamp-caution")
    response = as_technician.send(at(in_work, "ring-shift", "not-needed/"), {"reason": "it conforms"})
    assert_problem(response, 409)


def test_a_position_that_is_none_is_not_found(as_technician: Caller, in_work: WorkOrder) -> None:
    assert_problem(as_technician.send(f"orders/{in_work.pk}/steps/99/confirm/"), 404)


def test_the_other_shop_finds_no_step(as_stranger: Caller, in_work: WorkOrder) -> None:
    assert_problem(as_stranger.read(at(in_work, "own-lock")), 404)
    assert_problem(as_stranger.send(at(in_work, "own-lock", "confirm/")), 404)
