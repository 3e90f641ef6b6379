"""What a shop's radio does to an upload, and two tablets at one step, against the real server."""

from __future__ import annotations

import re
import socket
import struct
import time
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import expect

from shopapp.demo import carry, railway
from tests.e2e.browsing import PATIENCE_MS, Someone
from tests.e2e.reaching import Reaching
from tests.e2e.stack import Stack

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SPEC = railway.ENGINE_TYPES[0]["spec"]
BOUNDARY = "a-boundary-that-no-recording-has"


def body_of(fields: dict[str, str], data: bytes) -> bytes:
    """A multipart body (RFC 7578) as a browser would send it."""
    parts = [
        f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
        for name, value in fields.items()
    ]
    head = f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="file"; filename="sweeps.csv.gz"\r\n'
    kind, end = b"Content-Type: application/gzip\r\n\r\n", f"\r\n--{BOUNDARY}--\r\n".encode()
    return b"".join([*parts, head.encode(), kind, data, end])


def send_half(address: str, headers: dict[str, str], body: bytes, *, how: str) -> bytes:
    """Announce a whole body, send half of it, and go: `ends` says so to the server, `breaks` says nothing.

    Gives what the server still answered to the one that ended, which it has then dealt with.
    """
    parts = urlsplit(address)
    lines = [f"POST {parts.path} HTTP/1.1", f"Host: {parts.netloc}", f"Content-Length: {len(body)}"]
    lines += [f"Content-Type: multipart/form-data; boundary={BOUNDARY}", "Connection: close"]
    lines += [f"{name}: {value}" for name, value in headers.items()]
    with socket.create_connection((parts.hostname or "", parts.port or 80), timeout=30) as link:
        link.sendall("\r\n".join(lines).encode() + b"\r\n\r\n" + body[: len(body) // 2])
        if how == "breaks":
            # Linger for no time: closing resets the connection (RFC 9293, 3.10.4), as a lost radio link ends.
            link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            return b""
        link.shutdown(socket.SHUT_WR)
        return b"".join(iter(lambda: link.recv(65536), b""))


def stored(stack: Stack) -> list[Path]:
    """Every file among the stored traces, half-written ones too."""
    return sorted(path for path in (stack.folder / "data" / "traces").rglob("*") if path.is_file())


def until(true: Callable[[], bool], what: str) -> None:
    """Wait for something on the server's side that no page tells of."""
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while not true():
        assert time.monotonic() < deadline, what
        time.sleep(0.05)


@pytest.mark.parametrize(("how", "unit"), [("ends", "K7 7010"), ("breaks", "K7 7011")])
def test_an_upload_cut_in_the_middle_stores_nothing_and_can_be_sent_again(
    stack: Stack, someone: Callable[..., Someone], how: str, unit: str, tmp_path: Path
) -> None:
    step = Reaching(stack.url, unit).to_step(15) + "steps/15/"
    technician = someone("technician")
    page = technician.page
    page.goto(step)
    technician.at("As-found trace")
    chosen = {
        label.lower(): page.get_by_label(label, exact=True).locator("option", has_text=number).get_attribute("value")
        for label, number in (("Probe", "PR-07"), ("Encoder", "EN-03"))
    }
    token = page.locator("main input[name=csrfmiddlewaretoken]").first.input_value()
    cookies = "; ".join(f"{one.get('name')}={one.get('value')}" for one in technician.context.cookies())
    fields = {"csrfmiddlewaretoken": token, "act": "trace", **{name: str(value) for name, value in chosen.items()}}
    data = carry.recording(SPEC, SPEC["target_deg"] + 0.1, seed=int(unit[-4:]))
    before = stored(stack)

    answer = send_half(step, {"Cookie": cookies, "Referer": step}, body_of(fields, data), how=how)

    if how == "ends":
        assert re.match(rb"HTTP/1.1 4\d\d ", answer), answer[:300]
        assert stored(stack) == before
    page.goto(step)
    expect(page.get_by_role("link", name="sweeps.csv.gz")).to_have_count(0)
    for label, value in chosen.items():
        page.locator(f"select[name={label}]").select_option(value=value)
    file = tmp_path / "sweeps.csv.gz"
    file.write_bytes(data)
    page.get_by_label("Trace file").set_input_files(file)
    technician.press("Hand in the trace")
    technician.sees("Verdict: conforming")
    until(lambda: len(stored(stack)) == len(before) + 1, "more was stored than the trace that was handed in whole")
    assert (set(stored(stack)) - set(before)).pop().read_bytes() == data


def test_the_second_of_two_tablets_sees_who_did_the_step(stack: Stack, someone: Callable[..., Someone]) -> None:
    address = Reaching(stack.url, "K7 7013").to_step(3)
    first, second = someone("technician"), someone("technician2")
    for position in (1, 2):  # who joins the work reads its cautions too
        second.page.goto(f"{address}steps/{position}/")
        second.press("I have read this caution")
        second.at("Track protection checked")
    for one in (first, second):
        one.page.goto(f"{address}steps/3/")
        one.at("Track protection checked")
    first.page.get_by_label("Note").fill("Road 4, blue flags at both ends.")
    first.press("It is done")
    first.at("Own lock on each isolating point")
    second.page.get_by_label("Note").fill("Road 4, flags seen.")
    with second.refused(409):
        second.press("It is done")
        second.sees("Step 3 “Track protection checked” is done already.")
    second.sees("Done by Callum Strand")
    second.sees("Road 4, blue flags at both ends.")
    second.audit()
