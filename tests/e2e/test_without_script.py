"""The work goes on where no script runs: a locked-down tablet, or one whose script failed to load."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from shopapp.demo import carry, railway
from tests.e2e.browsing import PATIENCE_MS, Someone
from tests.e2e.reaching import Reaching
from tests.e2e.stack import Stack

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SPEC = railway.ENGINE_TYPES[0]["spec"]


def test_steps_are_done_and_a_verdict_is_read_without_script(stack: Stack, someone: Callable[..., Someone]) -> None:
    address = Reaching(stack.url, "K7 7009").to_step(12)
    technician = someone("technician", java_script_enabled=False)
    page = technician.page
    page.goto(address)
    technician.follow("Go to step 12")
    technician.at("Covers off, tools counted in")
    page.get_by_label("Note").fill("3 covers, 14 tools.")
    technician.press("It is done")
    for title in ("Barring with hands in the engine", "Barring the wrong way"):
        technician.at(title)
        technician.press("I have read this caution")
    technician.at("As-found trace")
    for label, number in (("Probe", "PR-07"), ("Encoder", "EN-03")):
        field = page.get_by_label(label, exact=True)
        field.select_option(value=field.locator("option", has_text=number).get_attribute("value"))
    data = carry.recording(SPEC, SPEC["target_deg"] - 0.4, seed=70099)
    file = {"name": "sweeps.csv.gz", "mimeType": "application/gzip", "buffer": data}
    page.get_by_label("Trace file").set_input_files(files=[file])  # type: ignore[list-item]
    with stack.worker_frozen():
        technician.press("Hand in the trace")
        technician.at("What the as-found trace of unit K7 7009 says")
        technician.sees("Waiting for a worker. You can leave this page and come back.")
        technician.follow("Look again")
        technician.at("how far it is")
    expect(page.get_by_role("link", name="See the result")).to_be_visible(timeout=PATIENCE_MS)
    technician.follow("See the result")
    technician.sees("Verdict: nonconforming")
    technician.sees("in the sense of normal rotation (clockwise seen from the driving end)")
    assert float(technician.fact("Deviation").removesuffix("°").replace("−", "-")) == pytest.approx(-0.4, abs=0.06)
    technician.sees("The plot needs script; the table below has the figures.")
    technician.press("I have read the verdict")
    technician.at("Second look at the as-found verdict")
