"""Traces over the API: 202 and a place to watch, or a clear error and nothing stored."""

from __future__ import annotations

import socket
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from rest_framework.authtoken.models import Token

from jobs.errands.models import Errand
from jobs.orders import storage
from jobs.orders.models import Trace, TraceBytes, WorkOrder
from jobs.people.models import Person
from jobs.tooling import actions as tooling
from jobs.tooling.models import Instrument
from tests.api.conftest import Caller, assert_problem, codes
from tests.cast import STEP
from tests.prepared import prepared
from tests.walking import Walk

TEXT = b"time_s,encoder_deg,lift_mm\n0.0,10.0,0.1\n"


@pytest.fixture(autouse=True)
def _own_store(settings: Any, tmp_path: Any) -> None:
    settings.TRACE_DIR = tmp_path / "traces"


@pytest.fixture
@prepared
def at_as_found(in_work: WorkOrder, walk: Walk) -> WorkOrder:
    return walk(in_work, until="as-found")


@pytest.fixture
def where(at_as_found: WorkOrder) -> str:
    """The address of the as-found step's traces, with that step reached."""
    return f"orders/{at_as_found.pk}/steps/{STEP['as-found']}/traces/"


def sweep(content: bytes = TEXT, **changed: Any) -> dict[str, Any]:
    return {"file": SimpleUploadedFile("sweep.csv", content), "probe": "PR-07", "encoder": "EN-03", **changed}


def files_stored() -> int:
    root = storage.traces().root
    return sum(path.is_file() for path in root.rglob("*")) if root.exists() else 0


def assert_nothing_stored() -> None:
    assert files_stored() == 0
    assert not Trace.objects.exists()
    assert not TraceBytes.objects.exists()
    assert not Errand.objects.filter(kind="analyse-trace").exists()


def test_it_is_taken_at_once_with_a_place_to_watch(as_technician: Caller, where: str) -> None:
    response = as_technician.send(where, sweep())
    assert response.status_code == 202
    trace = Trace.objects.get()
    assert response["Location"] == f"/api/v1/traces/{trace.pk}/"
    errand = as_technician.get(response.json()["errand"]).json()
    assert (errand["kind"], errand["state"]) == ("analyse-trace", "queued")
    assert response.json()["errand"] in response["Link"]
    assert as_technician.get(response["Location"]).json()["latest_analysis"] is None


def test_the_worker_ends_the_errand_and_the_trace_tells_the_outcome(
    as_technician: Caller, where: str, run_errands: Any
) -> None:
    response = as_technician.send(where, sweep())
    run_errands()
    assert as_technician.get(response.json()["errand"]).json()["state"] == "done"
    (analysis,) = as_technician.get(response["Location"]).json()["analyses"]
    assert analysis["verdict"] == "no-result"  # one sample is no sweep


def test_the_same_bytes_again_are_the_trace_that_is_there(as_technician: Caller, where: str) -> None:
    first = as_technician.send(where, sweep())
    second = as_technician.send(where, sweep())
    assert second.status_code == 200
    assert second.json() == first.json()
    assert Trace.objects.count() == 1


def test_sent_again_with_its_key_it_is_answered_as_the_first_time(as_technician: Caller, where: str) -> None:
    first = as_technician.send(where, sweep(), key="tablet-7")
    second = as_technician.send(where, sweep(), key="tablet-7")
    assert (second.status_code, second.json()) == (202, first.json())
    assert second["Location"] == first["Location"]
    assert Errand.objects.filter(kind="analyse-trace").count() == 1


def test_the_bytes_are_given_out_as_they_were_handed_in(as_technician: Caller, where: str) -> None:
    trace = as_technician.send(where, sweep()).json()
    response = as_technician.read(f"traces/{trace['id']}/file", HTTP_ACCEPT="text/csv")
    assert b"".join(response.streaming_content) == TEXT


def test_an_altered_file_is_told_and_not_given_out(as_technician: Caller, where: str) -> None:
    trace = as_technician.send(where, sweep()).json()
    path = storage.traces().path(trace["sha256"])
    path.chmod(0o600)
    path.write_bytes(b"other")
    response = as_technician.read(f"traces/{trace['id']}/file")
    assert_problem(response, 409)
    assert codes(response) == ["bytes-lost"]


def test_rules_refuse_with_every_reason(
    as_technician: Caller, where: str, keeper: Person, probe: Instrument, encoder: Instrument, at: Any
) -> None:
    tooling.withdraw_instrument(probe, reason="dropped", by=keeper, at=at)
    tooling.withdraw_instrument(encoder, reason="dropped", by=keeper, at=at)
    response = as_technician.send(where, sweep())
    assert_problem(response, 409)
    assert codes(response).count("withdrawn") == 2
    assert not Trace.objects.exists()


def test_the_wrong_person_is_refused_before_a_byte_is_kept(as_auditor: Caller, where: str) -> None:
    assert_problem(as_auditor.send(where, sweep()), 403)
    assert_nothing_stored()


def test_the_other_shop_finds_no_such_step(as_stranger: Caller, where: str) -> None:
    assert_problem(as_stranger.send(where, sweep()), 404)
    assert_nothing_stored()


@pytest.mark.parametrize(
    ("changed", "field"),
    [({"probe": "PR-99"}, "probe"), ({"encoder": ""}, "encoder"), ({"file": "text"}, "file"), ({"file": ""}, "file")],
)
def test_values_that_cannot_be_taken_are_named(
    as_technician: Caller, where: str, changed: dict[str, Any], field: str
) -> None:
    response = as_technician.ask("POST", where)
    assert response.status_code == 415
    body = {**sweep(), **changed}
    response = as_technician.post("/api/v1/" + where, body, format="multipart")
    assert field in {reason["field"] for reason in assert_problem(response, 422)["reasons"]}
    assert_nothing_stored()


def test_an_empty_file_is_refused_with_the_actions_sentence(as_technician: Caller, where: str) -> None:
    problem = assert_problem(as_technician.send(where, sweep(b"")), 422)
    assert problem["reasons"][0]["field"] == "file"
    assert_nothing_stored()


def test_more_than_is_taken_is_refused_before_it_is_read(as_technician: Caller, where: str, settings: Any) -> None:
    settings.TRACE_MAX_BYTES = 100_000
    problem = assert_problem(as_technician.send(where, sweep(b"0" * 200_000)), 413)
    assert problem["detail"].startswith("This is 200 kB; Midflank takes up to 166 kB here.")
    assert_nothing_stored()


def test_a_little_more_than_is_taken_is_refused_while_it_is_stored(
    as_technician: Caller, where: str, settings: Any
) -> None:
    settings.TRACE_MAX_BYTES = 100_000
    assert_problem(as_technician.send(where, sweep(TEXT + b"0" * 100_000)), 413)
    assert_nothing_stored()


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("key", ["", 'Idempotency-Key: "k"\r\n'])
@pytest.mark.parametrize("cut_at", [20, 300, -4])
def test_an_upload_that_is_cut_off_is_refused_and_leaves_nothing(
    live_server: Any, where: str, technician: Person, cut_at: int, key: str
) -> None:
    token = Token.objects.create(user=technician)
    body = _multipart(TEXT * 20)
    head = (
        f"POST /api/v1/{where} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Token {token.key}\r\n{key}"
        f"Content-Type: multipart/form-data; boundary=cut\r\nContent-Length: {len(body)}\r\n\r\n"
    ).encode()
    address = urlsplit(live_server.url)
    with socket.create_connection((address.hostname, address.port), timeout=10) as connection:
        connection.sendall(head + body[:cut_at])
        connection.shutdown(socket.SHUT_WR)
        answer = b"".join(iter(lambda: connection.recv(65536), b""))
    assert answer.startswith(b"HTTP/1.1 400 ")
    assert b"application/problem+json" in answer
    assert b"cut off before its end. Nothing was stored" in answer
    assert_nothing_stored()


def _multipart(content: bytes) -> bytes:
    parts = b"".join(
        b'--cut\r\nContent-Disposition: form-data; name="%b"\r\n\r\n%b\r\n' % pair
        for pair in ((b"probe", b"PR-07"), (b"encoder", b"EN-03"))
    )
    file = b'--cut\r\nContent-Disposition: form-data; name="file"; filename="sweep.csv"\r\n\r\n'
    return parts + file + content + b"\r\n--cut--\r\n"


def test_a_trace_is_analysed_again_only_for_a_cause(as_technician: Caller, where: str, run_errands: Any) -> None:
    trace = as_technician.send(where, sweep()).json()
    run_errands()
    assert_problem(as_technician.send(f"traces/{trace['id']}/analyse/"), 409)


def test_traces_are_found_by_what_made_them(as_technician: Caller, where: str) -> None:
    trace = as_technician.send(where, sweep()).json()
    for query in ({"probe": "PR-07"}, {"unit": "7012"}, {"stage": "as-found"}, {"sha256": trace["sha256"]}):
        assert as_technician.read("traces/", **query).json()["count"] == 1
    assert as_technician.read("traces/", probe="PR-08").json()["count"] == 0


def test_readings_by_hand_are_taken_like_a_trace(as_technician: Caller, where: str, run_errands: Any) -> None:
    pairs = [
        {"sense": sense, "dial": dial, "before": before, "after": after}
        for sense, dial, before, after in (
            ("forward", "4,0", "119.1", "163.1"), ("forward", "8,0", "128.7", "153.5"),
            ("reverse", "4,0", "162.9", "118.9"), ("reverse", "8,0", "153.3", "128.5"),
        )
    ]  # fmt: skip
    body = {"pairs": pairs, "dial_unit": "mm", "angle_step": "0.1", "probe": "PR-07"}
    address = where.replace("/traces/", "/hand-readings/")
    response = as_technician.send(address, body)
    assert response.status_code == 202
    assert (response.json()["form"], response.json()["encoder"]) == ("hand-readings", None)
    assert as_technician.send(address, body).status_code == 200
    run_errands()
    (made,) = as_technician.get(response["Location"]).json()["analyses"]
    assert made["verdict"] == "nonconforming"
    assert made["result"]["trace_sha256"] == response.json()["sha256"]
    assert as_technician.read("traces/", form="hand-readings").json()["count"] == 1
    assert as_technician.read("traces/", form="recording").json()["count"] == 0
    wrong = as_technician.send(address, {**body, "pairs": [{**pairs[0], "sense": "up"}]})
    assert_problem(wrong, 422)
