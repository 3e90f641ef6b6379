"""A rule refuses with the same sentence on every road in: page and API."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from html import unescape
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from jobs.orders.models import WorkOrder
from jobs.people.models import Person
from jobs.tooling import actions as tooling
from jobs.tooling.models import Instrument
from tests.api.conftest import Caller
from tests.cast import STEP
from tests.walking import Walk


def assert_same(page: Any, api: Any, *, status: int) -> list[str]:
    """Both answer with the status, and the page shows every sentence that the API gives."""
    assert (page.status_code, api.status_code) == (status, status), (page.status_code, api.content)
    problem = api.json()
    sentences = [reason["sentence"] for reason in problem.get("reasons", [])] or [problem["detail"]]
    text = " ".join(unescape(page.content.decode()).split())
    for sentence in sentences:
        assert sentence in text
    return sentences


@pytest.mark.parametrize(
    ("action", "body", "who", "status"),
    [
        ("release", {}, "planner", 409),
        ("start", {}, "technician", 409),
        ("resume", {}, "manager", 409),
        ("reopen", {"reason": "ring moved"}, "manager", 409),
        ("start", {}, "planner", 403),
        ("release", {}, "auditor", 403),
    ],
)
def test_of_a_work_order(
    in_work: WorkOrder, manager: Person, auditor: Person, planner: Person, technician: Person,
    login: Callable[[Person], Client], calling: Callable[[Person], Caller], action: str, body: dict[str, str],
    who: str, status: int,
) -> None:  # fmt: skip
    person = {one.username: one for one in (manager, auditor, planner, technician)}[who]
    page = login(person).post(f"/orders/{in_work.pk}/{action}/", body)
    api = calling(person).send(f"orders/{in_work.pk}/{action}/", body)
    assert_same(page, api, status=status)


def test_of_a_step_out_of_its_turn(
    in_work: WorkOrder, technician: Person, login: Callable[[Person], Client], as_technician: Caller
) -> None:
    position = STEP["locks-off"]
    page = login(technician).post(f"/orders/{in_work.pk}/steps/{position}/", {"act": "confirm"})
    api = as_technician.send(f"orders/{in_work.pk}/steps/{position}/confirm/")
    assert_same(page, api, status=409)


def test_of_a_trace_in_another_encoding(
    in_work: WorkOrder, walk: Walk, technician: Person, probe: Instrument, encoder: Instrument,
    login: Callable[[Person], Client], as_technician: Caller, settings: Any, tmp_path: Any,
) -> None:  # fmt: skip
    settings.TRACE_DIR = tmp_path
    walk(in_work, until="as-found")
    at_step = f"{in_work.pk}/steps/{STEP['as-found']}/"

    def file() -> SimpleUploadedFile:
        return SimpleUploadedFile("sweep.csv", "a;b".encode("utf-16"))

    page = login(technician).post(
        f"/orders/{at_step}", {"act": "trace", "file": file(), "probe": probe.pk, "encoder": encoder.pk}
    )
    body = {"file": file(), "probe": "PR-07", "encoder": "EN-03"}
    assert_same(page, as_technician.send(f"orders/{at_step}traces/", body), status=422)


def test_of_a_wrong_password(
    in_work: WorkOrder, walk: Walk, inspector: Person, login: Callable[[Person], Client], as_inspector: Caller
) -> None:
    walk(in_work, until="stroke-hold")
    position = STEP["stroke-hold"]
    client, where = login(inspector), f"/orders/{in_work.pk}/sign/hold-point/?step={position}"
    seen = client.get(where).context["seen_sha256"]
    page = client.post(where, {"password": "wrong", "seen_sha256": seen})
    body = {"meaning": "hold-point", "step": position, "password": "wrong"}
    assert_same(page, as_inspector.send(f"orders/{in_work.pk}/signoffs/", body), status=422)


@pytest.mark.parametrize("why", ["withdrawn", "overdue"])
def test_of_an_instrument_that_may_no_longer_be_used_for_a_trace(
    in_work: WorkOrder, walk: Walk, technician: Person, keeper: Person, probe: Instrument, encoder: Instrument,
    at: datetime, login: Callable[[Person], Client], as_technician: Caller, settings: Any, tmp_path: Any, why: str,
) -> None:  # fmt: skip
    settings.TRACE_DIR = tmp_path
    walk(in_work, until="as-found")
    if why == "withdrawn":
        tooling.withdraw_instrument(probe, reason="dropped", by=keeper, at=at)
    else:
        probe.calibrations.update(valid_until=at.date() - timedelta(days=1))
    at_step = f"{in_work.pk}/steps/{STEP['as-found']}/"

    def file() -> SimpleUploadedFile:
        return SimpleUploadedFile("sweep.csv", b"time_s,encoder_deg,lift_mm\n0,0,0\n")

    body = {"file": file(), "probe": probe.pk, "encoder": encoder.pk}
    page = login(technician).post(f"/orders/{at_step}", {"act": "trace", **body})
    body = {"file": file(), "probe": "PR-07", "encoder": "EN-03"}
    (sentence,) = assert_same(page, as_technician.send(f"orders/{at_step}traces/", body), status=409)
    assert page.context["forms"]["trace"].errors["probe"] == [sentence]


@pytest.mark.parametrize("kind", ["probe", "check-standard"])
def test_of_an_instrument_withdrawn_while_a_reading_was_typed(
    in_work: WorkOrder, walk: Walk, technician: Person, keeper: Person, instruments: dict[str, Instrument],
    at: datetime, login: Callable[[Person], Client], as_technician: Caller, kind: str,
) -> None:  # fmt: skip
    walk(in_work, until="pre-use-check")
    gone = instruments[kind]
    tooling.withdraw_instrument(gone, reason="dropped", by=keeper, at=at)
    at_step = f"{in_work.pk}/steps/{STEP['pre-use-check']}/"
    probe, standard = instruments["probe"], instruments["check-standard"]
    typed = {"entered": "10.004", "unit": "mm"}
    page = login(technician).post(
        f"/orders/{at_step}", {"act": "reading", "probe": probe.pk, "check-standard": standard.pk, **typed}
    )
    named = {"instrument": probe.asset_number, "also": [standard.asset_number]}
    (sentence,) = assert_same(page, as_technician.send(f"orders/{at_step}readings/", {**typed, **named}), status=409)
    assert page.context["forms"]["reading"].errors[kind] == [sentence]


def test_of_an_instrument_withdrawn_twice(
    probe: Instrument, keeper: Person, at: datetime, login: Callable[[Person], Client], as_keeper: Caller
) -> None:
    tooling.withdraw_instrument(probe, reason="dropped", by=keeper, at=at)
    page = login(keeper).post(f"/instruments/{probe.pk}/withdraw/", {"reason": "dropped"})
    assert_same(page, as_keeper.send(f"instruments/{probe.pk}/withdraw/", {"reason": "dropped"}), status=409)


@pytest.mark.parametrize("after", ["163,1", "16x", "99,1"])
def test_of_readings_by_hand(
    in_work: WorkOrder, walk: Walk, technician: Person, probe: Instrument, login: Callable[[Person], Client],
    as_technician: Caller, settings: Any, tmp_path: Any, after: str,
) -> None:  # fmt: skip
    settings.TRACE_DIR = tmp_path
    walk(in_work, until="as-found")
    at_step = f"{in_work.pk}/steps/{STEP['as-found']}/"
    typed = {"dial": "4", "before": "119.1", "after": after}
    sheet = {"dial_unit": "mm", "angle_step": "0,1"}
    fields = {f"forward-0-{name}": value for name, value in typed.items()}
    page = login(technician).post(f"/orders/{at_step}hand/", {**fields, **sheet, "rows": "3", "probe": probe.pk})
    body = {"pairs": [{"sense": "forward", **typed}], **sheet, "probe": "PR-07"}
    assert assert_same(page, as_technician.send(f"orders/{at_step}hand-readings/", body), status=422)
