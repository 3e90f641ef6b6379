"""A technician without an encoder types equal dial readings either side of the crest, and the job goes on with them."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import expect

from shopapp.demo import railway
from tests.e2e.browsing import LANDSCAPE, PATIENCE_MS, TABLET, Someone
from tests.e2e.reaching import Reaching
from tests.e2e.stack import Stack

SPEC = railway.ENGINE_TYPES[0]["spec"]
AS_FOUND = 15
LASH_DEG, OFF_DEG = 0.2, 0.6
HALF_WIDTHS = {"4,00": 22.1, "6,00": 17.2, "8,00": 12.4}  # dial in mm, half the chord in crank degrees

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def readings(off_deg: float = OFF_DEG) -> dict[str, str]:
    """What stands in each field: an engine that stands so far off its target, read to a tenth of a degree."""
    crest = SPEC["target_deg"] - SPEC["crest_to_tdc_deg"] + off_deg
    typed = {}
    for sense, side in (("forward", 1), ("reverse", -1)):
        for row, (dial, half) in enumerate(HALF_WIDTHS.items()):
            middle = crest + side * LASH_DEG / 2
            typed |= {
                f"{sense}-{row}-dial": dial,
                f"{sense}-{row}-before": f"{middle - side * half:.1f}".replace(".", ","),
                f"{sense}-{row}-after": f"{middle + side * half:.1f}",
            }
    return typed


@pytest.mark.parametrize(("unit", "size"), [("K7 7016", TABLET), ("K7 7017", LANDSCAPE)])
def test_hand_readings_from_the_step_to_the_read_verdict(
    stack: Stack, someone: Callable[..., Someone], unit: str, size: dict[str, int]
) -> None:
    order = Reaching(stack.url, unit).to_step(AS_FOUND)
    tom = someone("technician", size)
    page = tom.page
    page.goto(f"{order}steps/{AS_FOUND}/")
    tom.follow("Type hand readings")
    tom.at("As-found readings by hand")
    tom.audit()
    page.get_by_label("Smallest division").fill("0,1")
    for name, value in readings().items():
        page.locator(f"[name='{name}']").fill(value)
    page.locator("[name='reverse-2-after']").fill("100.O")
    with tom.refused(422):
        tom.press("Hand in the readings")
        tom.sees("“100.O” is not a number")
    expect(page.locator("[name='forward-0-before']")).to_have_value(readings()["forward-0-before"])
    expect(page.locator(".unit.in-mm").first).to_be_visible()
    page.get_by_label("inch", exact=True).check()
    expect(page.locator(".unit.in-mm").first).to_be_hidden()
    page.get_by_label("mm", exact=True).check()
    tom.audit()
    page.locator("[name='reverse-2-after']").fill(readings()["reverse-2-after"])
    tom.press("More rows")
    expect(page.locator("[name='reverse-4-dial']")).to_be_visible()
    expect(page.locator("[name='reverse-2-after']")).to_have_value(readings()["reverse-2-after"])
    for box in page.locator("form.hand input:visible, form.hand button").all():
        measured = box.bounding_box()
        assert measured is not None
        assert measured["height"] >= 48 or box.get_attribute("type") in {"radio", "checkbox"}
    tom.press("Hand in the readings")
    tom.at("What the as-found hand readings of unit")
    expect(page.get_by_role("heading", name="Verdict: nonconforming")).to_be_visible(timeout=PATIENCE_MS)
    assert f"+{OFF_DEG:.3f}" in tom.fact("Deviation")
    expect(page.locator(".sweep-plot .main-svg").first).to_be_visible(timeout=PATIENCE_MS)
    tom.audit()
    tom.press("I have read the verdict")
    tom.at("Second look at the as-found verdict")
