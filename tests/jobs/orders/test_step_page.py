"""One step a screen: cautions, confirmations, readings with their unit, photos, traces, hold points."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import datetime
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from jobs.orders import actions
from jobs.orders.models import Analysis, OrderStep, Photo, Trace, WorkOrder
from jobs.people.models import Person, Shop
from jobs.tooling.models import Instrument
from tests.cast import STEP

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]


def address(order: WorkOrder, name: str) -> str:
    return f"/orders/{order.pk}/steps/{STEP[name]}/"


def step_of(order: WorkOrder, name: str) -> OrderStep:
    return order.steps.get(position=STEP[name])


def picture() -> SimpleUploadedFile:
    file = io.BytesIO()
    Image.new("RGB", (8, 8), "grey").save(file, "JPEG")
    return SimpleUploadedFile("probe.jpg", file.getvalue(), content_type="image/jpeg")


# --- Cautions -----------------------------------------------------------------------------------------


def test_a_caution_is_acknowledged_by_the_one_who_reads_it(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    client = login(technician)
    page = client.get(address(in_work, "lock-caution")).text
    assert "DANGER" in page
    assert "Crushed or cut-off limbs." in page
    assert "I have read this caution" in page
    answer = client.post(address(in_work, "lock-caution"), {"act": "acknowledge"})
    assert answer.status_code == 303
    assert answer["Location"] == address(in_work, "own-lock")
    assert step_of(in_work, "lock-caution").acknowledgements.get().person == technician


def test_no_caution_is_acknowledged_by_looking_at_it(login: Login, technician: Person, in_work: WorkOrder) -> None:
    login(technician).get(address(in_work, "lock-caution"))
    assert not step_of(in_work, "lock-caution").acknowledgements.exists()


@pytest.mark.usefixtures("walked_to_own_lock")
def test_a_second_person_meets_the_caution_before_the_step_and_reads_it_too(
    login: Login, technician2: Person, in_work: WorkOrder
) -> None:
    client = login(technician2)
    page = client.get(address(in_work, "own-lock")).text
    assert "The engine can turn." in page
    assert "Read the caution of step 1" in page
    assert "It is done" not in page
    answer = client.post(address(in_work, "own-lock"), {"act": "confirm"})
    assert answer.status_code == 409
    assert "has not acknowledged" in answer.text
    client.post(address(in_work, "lock-caution"), {"act": "acknowledge"})
    assert client.post(address(in_work, "own-lock"), {"act": "confirm"}).status_code == 303


def test_a_step_out_of_its_turn_says_what_is_still_open(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    client = login(technician)
    assert "Steps are done in their order" in client.get(address(in_work, "pre-use-check")).text
    assert client.post(address(in_work, "own-lock"), {"act": "confirm"}).status_code == 409


# --- Readings -----------------------------------------------------------------------------------------


@pytest.fixture
def check(probe: Instrument, check_standard: Instrument) -> dict[str, Any]:
    """What is posted with a reading of the pre-use check, but for the value."""
    return {"act": "reading", "point": "", "unit": "mm", "probe": probe.pk, "check-standard": check_standard.pk}


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_a_reading_is_taken_with_a_decimal_comma(
    login: Login, technician: Person, in_work: WorkOrder, check: dict[str, Any]
) -> None:
    answer = login(technician).post(address(in_work, "pre-use-check"), {**check, "entered": "10,004"})
    assert answer["Location"] == address(in_work, "probe-photo")
    reading = step_of(in_work, "pre-use-check").readings.get()
    assert str(reading.value) == "10.004000"
    assert {use.instrument.asset_number for use in in_work.instrument_uses.all()} == {"PR-07", "CS-02"}


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_the_unit_stands_in_the_field_and_the_limits_above_it(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    page = login(technician).get(address(in_work, "pre-use-check")).text
    assert "Limits: 9.98 to 10.02 mm." in page
    assert 'inputmode="decimal"' in page
    assert '<option value="inch">' in page


@pytest.mark.parametrize("typed", ["ten", "1,000.5", ""])
@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_what_is_no_number_is_refused_at_the_field_and_stays(
    login: Login, technician: Person, in_work: WorkOrder, check: dict[str, Any], typed: str
) -> None:
    answer = login(technician).post(address(in_work, "pre-use-check"), {**check, "entered": typed})
    assert answer.status_code == 422
    assert 'aria-invalid="true"' in answer.text
    assert not typed or f'value="{typed}"' in answer.text
    assert not step_of(in_work, "pre-use-check").readings.exists()


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_a_value_typed_in_inches_is_asked_about_and_taken_once_answered(
    login: Login, technician: Person, in_work: WorkOrder, check: dict[str, Any]
) -> None:
    client = login(technician)
    asked = client.post(address(in_work, "pre-use-check"), {**check, "entered": "0.394"})
    assert asked.status_code == 422
    assert "mm or inch?" in asked.text
    assert "It is 0.394 inch" in asked.text
    question = asked.text.split('id="unit-question"')[1].split("</form>")[0]
    again = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', question))
    again.pop("csrfmiddlewaretoken", None)
    assert client.post(address(in_work, "pre-use-check"), {**again, "unit": "inch"}).status_code == 303
    reading = step_of(in_work, "pre-use-check").readings.get()
    assert str(reading.value) == "10.007600"
    assert reading.within


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_a_reading_out_of_limits_stays_and_raises_a_finding(
    login: Login, technician: Person, in_work: WorkOrder, check: dict[str, Any]
) -> None:
    answer = login(technician).post(address(in_work, "pre-use-check"), {**check, "entered": "10.03"}, follow=True)
    assert "out of its limits" in answer.text
    assert "out of limits" in answer.text
    assert in_work.findings.get().kind == "reading"


def test_an_overdue_instrument_stands_in_the_list_with_its_reason_and_is_not_taken(
    login: Login, technician: Person, in_work: WorkOrder, walk: Any, check: dict[str, Any], calibrated: Any
) -> None:
    late = calibrated("PR-02", "probe", valid_until=datetime(2026, 3, 1).date())  # noqa: DTZ001
    walk(in_work, until="pre-use-check")
    client = login(technician)
    option = f'<option value="{late.pk}" disabled>PR-02, not to be used: was due 2026-03-01</option>'
    assert option in client.get(address(in_work, "pre-use-check")).text
    answer = client.post(address(in_work, "pre-use-check"), {**check, "probe": late.pk, "entered": "10.004"})
    assert answer.status_code == 409
    (sentence,) = answer.context["forms"]["reading"].errors["probe"]
    assert sentence.startswith("Probe PR-02 was due for calibration on 1 March 2026")
    assert 'value="10.004"' in answer.text
    assert not step_of(in_work, "pre-use-check").readings.exists()


def test_another_shops_instrument_is_no_choice(
    login: Login, technician: Person, in_work: WorkOrder, walk: Any, check: dict[str, Any], port_ansel: Shop
) -> None:
    theirs = Instrument.objects.create(asset_number="PR-90", kind="probe", shop=port_ansel)
    walk(in_work, until="pre-use-check")
    client = login(technician)
    assert "PR-90" not in client.get(address(in_work, "pre-use-check")).text
    answer = client.post(address(in_work, "pre-use-check"), {**check, "probe": theirs.pk, "entered": "10.004"})
    assert answer.status_code == 422
    assert "Brackwater Yard has no such probe." in answer.text


@pytest.mark.parametrize(
    ("name", "act"), [("pre-use-check", "reading"), ("as-found", "trace"), ("own-lock", "leave_out")]
)
def test_an_empty_form_does_not_hide_that_it_is_not_theirs(
    login: Login, planner: Person, in_work: WorkOrder, name: str, act: str
) -> None:
    answer = login(planner).post(address(in_work, name), {"act": act})
    assert answer.status_code == 403
    assert f"{planner.name} holds: planner." in answer.text


# --- Bodies -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["as-found", "probe-photo", "own-lock"])
def test_a_body_over_the_limit_is_refused_before_it_is_read(
    login: Login, technician: Person, in_work: WorkOrder, settings: Any, name: str
) -> None:
    settings.TRACE_MAX_BYTES = 1000

    class Unread(io.RawIOBase):
        def read(self, size: int = -1) -> bytes:
            raise AssertionError("the body was read")

    client = login(technician)
    answer = client.generic(
        "POST", address(in_work, name), b"", content_type="multipart/form-data; boundary=x",
        **{"CONTENT_LENGTH": str(27 * 1024 * 1024), "wsgi.input": Unread()},
    )  # fmt: skip
    assert answer.status_code == 413
    assert "This is 28.3 MB; Midflank takes up to" in answer.text
    assert "Nothing was stored." in answer.text


def test_a_forged_request_is_refused_all_the_same(technician: Person, in_work: WorkOrder) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(technician)
    answer = client.post(address(in_work, "lock-caution"), {"act": "acknowledge"})
    assert answer.status_code == 403
    assert not step_of(in_work, "lock-caution").acknowledgements.exists()


@pytest.mark.usefixtures("walked_to_torque")
def test_torque_goes_from_bolt_to_bolt(
    login: Login, technician: Person, in_work: WorkOrder, torque_wrench: Instrument
) -> None:
    client = login(technician)
    with_wrench = {"act": "reading", "unit": "N·m", "torque-wrench": torque_wrench.pk}
    assert "Record bolt 1" in client.get(address(in_work, "torque")).text
    answer = client.post(address(in_work, "torque"), {**with_wrench, "point": "bolt 1", "entered": "90"})
    assert answer["Location"] == address(in_work, "torque")
    page = client.get(address(in_work, "torque")).text
    assert "Record bolt 2" in page
    assert f'<option value="{torque_wrench.pk}" selected' in page
    assert "Record bolt 4" in client.get(address(in_work, "torque") + "?point=bolt 4").text


@pytest.mark.usefixtures("walked_to_ring_shift")
def test_the_step_that_shifts_the_ring_states_by_how_much_and_which_way(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    again = Analysis.objects.get()
    again.pk, again.number, again.input_sha256 = None, again.number + 1, "a" * 64
    again.result["correction"] = {"sense": "retard", "ring_shift_deg": -0.901, "ring_shift_mm": -4.88}
    again.save(force_insert=True)
    page = login(technician).get(address(in_work, "ring-shift")).text
    assert '<strong class="figures">4.88 mm</strong> along its rim' in page
    assert "<strong>against normal rotation</strong>" in page
    assert "Correction to make" not in login(technician).get(address(in_work, "pre-use-check")).text


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_a_correction_keeps_the_first_reading_in_sight(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    wrong = step_of(in_work, "pre-use-check").readings.get()
    client = login(technician)
    path = address(in_work, "pre-use-check")
    assert "Correct the reading" in client.get(f"{path}?correct={wrong.pk}").text
    form = {"act": "correct", "correct": wrong.pk, "entered": "10.006", "unit": "mm", "reason": "Read a line too low."}
    assert client.post(path, form).status_code == 303
    page = client.get(path).text
    assert "10.006" in page
    assert "10.004 mm" in page
    assert "Read a line too low." in page


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_a_correction_without_a_reason_is_refused(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    wrong = step_of(in_work, "pre-use-check").readings.get()
    form = {"act": "correct", "correct": wrong.pk, "entered": "10.006", "unit": "mm", "reason": ""}
    answer = login(technician).post(address(in_work, "pre-use-check"), form)
    assert answer.status_code == 422
    assert 'value="10.006"' in answer.text


# --- Photos and traces --------------------------------------------------------------------------------


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_a_photo_is_kept_shown_and_confirmed(login: Login, technician: Person, in_work: WorkOrder) -> None:
    client = login(technician)
    path = address(in_work, "probe-photo")
    assert client.post(path, {"act": "confirm"}).status_code == 409
    assert client.post(path, {"act": "photo", "file": picture()}).status_code == 303
    photo = Photo.objects.get()
    shown: Any = client.get(f"/photos/{photo.pk}/")
    assert shown["Content-Type"] == "image/jpeg"
    assert b"".join(shown.streaming_content)[:3] == b"\xff\xd8\xff"
    assert client.post(path, {"act": "confirm"}).status_code == 303


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_what_is_no_picture_is_refused_at_the_field(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    file = SimpleUploadedFile("probe.jpg", b"<script>alert(1)</script>", content_type="image/jpeg")
    answer = login(technician).post(address(in_work, "probe-photo"), {"act": "photo", "file": file})
    assert answer.status_code == 422
    assert not Photo.objects.exists()


@pytest.mark.usefixtures("walked_to_probe_photo")
def test_another_shops_photo_is_not_found(
    login: Login, stranger: Person, technician: Person, in_work: WorkOrder
) -> None:
    login(technician).post(address(in_work, "probe-photo"), {"act": "photo", "file": picture()})
    assert login(stranger).get(f"/photos/{Photo.objects.get().pk}/").status_code == 404


@pytest.fixture
def trace_form(probe: Instrument, encoder: Instrument) -> Callable[..., dict[str, Any]]:
    def make(content: bytes = b"time_s,encoder_deg,lift_mm\n0,1,2\n", **more: Any) -> dict[str, Any]:
        file = SimpleUploadedFile("sweep.csv", content, content_type="text/csv")
        return {"act": "trace", "probe": probe.pk, "encoder": encoder.pk, "file": file, **more}

    return make


@pytest.mark.usefixtures("walked_to_as_found")
def test_a_trace_is_answered_at_once_with_the_page_to_watch(
    login: Login, technician: Person, in_work: WorkOrder, trace_form: Any
) -> None:
    client = login(technician)
    answer = client.post(address(in_work, "as-found"), trace_form())
    assert answer.status_code == 303
    assert answer["Location"] == f"/traces/{Trace.objects.get().pk}/"
    page = client.get(answer["Location"]).text
    assert "queued" in page
    assert "errand-ended from:body" in page


@pytest.mark.usefixtures("walked_to_as_found")
def test_probe_and_encoder_must_be_chosen_nothing_is_chosen_for_one(
    login: Login, technician: Person, in_work: WorkOrder, trace_form: Any
) -> None:
    client = login(technician)
    answer = client.post(address(in_work, "as-found"), {**trace_form(), "encoder": ""})
    assert answer.status_code == 422
    assert not Trace.objects.exists()


@pytest.mark.usefixtures("walked_to_as_found")
def test_the_same_file_twice_leads_to_the_trace_there_is(
    login: Login, technician: Person, in_work: WorkOrder, trace_form: Any
) -> None:
    client = login(technician)
    first = client.post(address(in_work, "as-found"), trace_form())
    second = client.post(address(in_work, "as-found"), trace_form(), follow=True)
    assert second.redirect_chain == [(first["Location"], 303)]
    assert "handed in at this step before" in second.text
    assert Trace.objects.count() == 1


@pytest.mark.parametrize("content", [b"", b"\x89PNG\r\n\x1a\n not a trace"])
@pytest.mark.usefixtures("walked_to_as_found")
def test_what_cannot_be_a_trace_is_refused_at_the_field_and_the_instruments_stay_chosen(
    login: Login, technician: Person, in_work: WorkOrder, trace_form: Any, content: bytes, probe: Instrument
) -> None:
    answer = login(technician).post(address(in_work, "as-found"), trace_form(content))
    assert answer.status_code == 422
    assert 'aria-invalid="true"' in answer.text
    assert f'<option value="{probe.pk}" selected' in answer.text
    assert not Trace.objects.exists()


@pytest.mark.usefixtures("walked_to_as_found")
def test_a_verdict_is_read_before_the_step_is_done(
    login: Login, technician: Person, in_work: WorkOrder, walk: Any
) -> None:
    client = login(technician)
    step = step_of(in_work, "as-found")
    assert client.post(address(in_work, "as-found"), {"act": "confirm"}).status_code == 409
    walk.give_result(step, verdict="nonconforming", deviation_deg=1.0)
    page = client.get(address(in_work, "as-found")).text
    assert "I have read the verdict" in page
    assert "nonconforming" in page
    assert client.post(address(in_work, "as-found"), {"act": "confirm"}).status_code == 303


# --- Hold points, steps left out ----------------------------------------------------------------------


@pytest.mark.usefixtures("walked_to_stroke_hold")
def test_a_hold_point_leads_the_inspector_to_sign_and_nobody_else(
    login: Login, technician: Person, inspector: Person, in_work: WorkOrder
) -> None:
    path, sign = address(in_work, "stroke-hold"), f"/orders/{in_work.pk}/sign/hold-point/?step=5"
    assert sign in login(inspector).get(path).text
    page = login(technician).get(path).text
    assert sign not in page
    assert "Work stops here" in page


def test_a_step_may_be_left_out_only_when_the_as_found_verdict_conforms(
    login: Login, technician: Person, in_work: WorkOrder, walk: Any, at: datetime
) -> None:
    walk.as_found = ("conforming", 0.01)
    walk(in_work, until="clamp-caution")
    client = login(technician)
    path = address(in_work, "clamp-caution")
    assert "This step is not needed" in client.get(path).text
    answer = client.post(path, {"act": "leave_out", "leave-out-reason": ""})
    assert answer.status_code == 422
    assert client.post(path, {"act": "leave_out", "leave-out-reason": "As-found conforms."}).status_code == 303
    assert step_of(in_work, "clamp-caution").state == "not-needed"


def test_what_cannot_be_done_at_a_kind_of_step_is_not_found(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    client = login(technician)
    assert client.post(address(in_work, "lock-caution"), {"act": "trace"}).status_code == 404
    assert client.post(address(in_work, "lock-caution"), {}).status_code == 404
    assert client.get(f"/orders/{in_work.pk}/steps/99/").status_code == 404


@pytest.mark.usefixtures("walked_to_pre_use_check")
def test_a_done_step_says_who_and_when_and_offers_nothing_to_do_again(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    page = login(technician).get(address(in_work, "own-lock")).text
    assert "Done" in page
    assert "Tom Turner" in page
    assert "It is done" not in page
    assert "Go to step 3" in page


def test_held_work_takes_no_step(login: Login, technician: Person, in_work: WorkOrder, at: datetime) -> None:
    actions.hold_order(in_work, reason="Waits for parts.", by=technician, at=at)
    answer = login(technician).post(address(in_work, "lock-caution"), {"act": "acknowledge"})
    assert answer.status_code == 409
    assert "Waits for parts." in answer.text


@pytest.mark.parametrize(
    ("state", "offered"), [("in-work", True), ("to-verify", True), ("closed", False), ("held", False)]
)
@pytest.mark.usefixtures("walked_to_as_found")
def test_a_reading_is_offered_for_correction_only_where_it_can_be_corrected(
    login: Login, technician: Person, in_work: WorkOrder, state: str, offered: bool
) -> None:
    held = {"held_from": "in-work", "held_reason": "The crane is down."} if state == "held" else {}
    WorkOrder.objects.filter(pk=in_work.pk).update(state=state, **held)
    client = login(technician)
    page = client.get(address(in_work, "pre-use-check")).text
    assert ("Correct it" in page) == offered
    reading = step_of(in_work, "pre-use-check").readings.first()
    assert reading is not None
    asked = client.get(address(in_work, "pre-use-check") + f"?correct={reading.pk}").text
    assert ("Correct the reading" in asked) == offered


@pytest.mark.usefixtures("walked_to_as_found")
def test_a_correction_sent_from_an_old_page_of_a_closed_order_is_told_why_not(
    login: Login, technician: Person, in_work: WorkOrder
) -> None:
    reading = step_of(in_work, "pre-use-check").readings.first()
    assert reading is not None
    WorkOrder.objects.filter(pk=in_work.pk).update(state="closed")
    form = {"act": "correct", "correct": reading.pk, "entered": "10.001", "unit": "mm", "reason": "misread"}
    answer = login(technician).post(address(in_work, "pre-use-check"), form)
    assert answer.status_code == 409
    assert f"{in_work.number} is closed" in answer.text


@pytest.mark.usefixtures("walked_to_as_found")
def test_what_was_typed_and_corrected_is_shown_with_a_true_minus(
    login: Login, technician: Person, in_work: WorkOrder, at: datetime
) -> None:
    reading = step_of(in_work, "pre-use-check").readings.get()
    actions.correct_reading(reading, entered="10.001", unit="mm", reason="misread", by=technician, at=at)
    type(reading).objects.filter(step=reading.step_id).update(entered="-0.394", entered_unit="inch")
    page = login(technician).get(address(in_work, "pre-use-check")).text
    assert "typed −0.394 inch" in page
    assert page.count("−0.394 inch") == 2  # the one that counts, and the one that it corrected
    assert "-0.394" not in page
