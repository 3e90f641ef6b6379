"""A picture of every page, to be looked at by people: `python -m tests.e2e.screens FOLDER [WORDS…]`.

A job is carried to its end and others are left in the middle; then each page is taken on tablet, landscape tablet
and desk, by day, by night and on paper. WORDS keep only pages whose name contains one of them.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shopapp.settings")
SCRATCH = tempfile.TemporaryDirectory(prefix="midflank-screens-")
os.environ["MIDFLANK_DATA"] = SCRATCH.name

import django  # noqa: E402

django.setup()

from playwright.sync_api import Browser, expect, sync_playwright  # noqa: E402

from shopapp.demo import carry  # noqa: E402
from tests.e2e.browsing import ARGUMENTS, CHROMIUM, DESK, LANDSCAPE, TABLET, Someone  # noqa: E402
from tests.e2e.reaching import Reaching, Step  # noqa: E402
from tests.e2e.stack import Stack  # noqa: E402

SIZES = {"768": TABLET, "1280": LANDSCAPE, "1600": DESK}
LOOKS = [*((size, scheme) for size in SIZES for scheme in ("light", "dark"))]
README_PICTURE = Path(__file__).resolve().parents[2] / "docs" / "trace.png"

Shot = tuple[str, str, str]  # its name, who looks, where


class Camera:
    """Takes pages into a folder, each person signed in once."""

    def __init__(self, browser: Browser, stack: Stack, folder: Path, words: list[str]) -> None:
        self.browser, self.stack, self.folder, self.words = browser, stack, folder, words
        self.people: dict[str, Someone] = {}
        self.seen: set[str] = set()

    def wants(self, name: str) -> bool:
        return name not in self.seen and (not self.words or any(word in name for word in self.words))

    def who(self, username: str) -> Someone:
        if username not in self.people:
            one = Someone(self.browser, self.stack.url, DESK)
            self.people[username] = one.sign_in(username) if username else one
        return self.people[username]

    def take(self, name: str, username: str, address: str) -> None:
        if not self.wants(name):
            return
        self.seen.add(name)
        one = self.who(username)
        page = one.page
        page.goto(address)
        for size, scheme in LOOKS:
            page.set_viewport_size(SIZES[size])  # type: ignore[arg-type]
            page.emulate_media(color_scheme=scheme, media="screen")  # type: ignore[arg-type]
            self._settle(one)
            page.screenshot(path=self.folder / f"{name}-{size}-{scheme}.png", full_page=True)
        page.emulate_media(color_scheme="light", media="print")
        self._settle(one)
        paper = self.folder / f"{name}-print.pdf"
        page.pdf(path=paper, prefer_css_page_size=True, print_background=False)
        subprocess.run(["pdftoppm", "-r", "60", "-png", paper, paper.with_suffix("")], check=True, timeout=60)
        page.emulate_media(media="screen", color_scheme="light")
        for complaint in one.complaints:
            print("  complaint:", complaint)
        one.complaints.clear()

    def _settle(self, one: Someone) -> None:
        plots = one.page.locator(".sweep-plot .plot")
        for number in range(plots.count()):
            expect(plots.nth(number).locator(".main-svg").first).to_be_visible(timeout=30_000)
        one.page.evaluate("document.fonts.ready.then(() => new Promise((done) => requestAnimationFrame(() => done())))")

    def close(self) -> None:
        for one in self.people.values():
            one.close()


def pages_of_a_shop() -> Iterator[Shot]:
    yield "sign-in", "", "/sign-in/"
    yield "board", "planner", "/orders/"
    yield "board-empty", "planner", "/orders/?words=nothing-is-called-this"
    yield "request", "planner", "/orders/new/"
    yield "instruments", "keeper", "/instruments/?sort=due_on"
    yield "instrument", "keeper", "/instruments/1/"
    yield "instrument-overdue", "keeper", "/instruments/3/"
    yield "instrument-new", "keeper", "/instruments/new/"
    yield "calibration", "keeper", "/calibrations/1/"
    yield "calibrate", "keeper", "/instruments/1/calibrate/"
    yield "withdraw", "keeper", "/instruments/1/withdraw/"
    yield "units", "planner", "/units/"
    yield "unit-new", "planner", "/units/new/"
    yield "engine-install", "planner", "/units/1/install/"
    yield "people", "admin", "/people/"
    yield "person", "admin", "/people/2/"
    yield "person-new", "admin", "/people/new/"
    yield "history", "auditor", "/history/"
    yield "wrong-role", "auditor", "/orders/new/"
    yield "not-found", "auditor", "/orders/99999/"


def pages_of_a_closed_job(order: dict[str, Any], card: dict[str, Any], traces: list[str]) -> Iterator[Shot]:
    at = f"/orders/{order['id']}/"
    yield "order-closed", "manager", at
    yield "trace-as-found", "technician", f"/traces/{traces[0]}/"
    yield "trace-as-left", "technician", f"/traces/{traces[1]}/"
    for name, position in (("caution", 1), ("reading", 9), ("torque", 19), ("photo", 21), ("trace", 15)):
        yield f"step-done-{name}", "technician", f"{at}steps/{position}/"
    yield "signoff", "auditor", "/signoffs/1/"
    yield "job-card", "manager", f"/cards/{card['id']}/"
    yield "verify", "", card["verify"]
    yield "reopen", "manager", f"{at}reopen/"
    yield "unit", "planner", f"/units/{order['unit_id']}/"
    yield "engine", "planner", f"/engines/{order['engine_id']}/"
    yield "history-of-order", "auditor", f"/history/orders.workorder/{order['id']}/"
    yield "history-of-unit", "auditor", f"/history/fleet.unit/{order['unit_id']}/"


def steps_as_they_come(camera: Camera, stack: Stack) -> None:
    """Every kind of step while it is the next to do, and the order in the middle of its work."""

    def look(step: Step, address: str) -> None:
        name = f"step-{step['kind']}" + (f"-{step['signal_word']}" if step.get("signal_word") else "")
        person = "inspector" if step["kind"] == "hold-point" else "technician"
        camera.take(name, person, address)
        if step["kind"] == "hold-point":
            camera.take("order-in-work", "technician", address.partition("steps/")[0])
            sign = address.partition("steps/")[0] + f"sign/hold-point/?step={step['position']}"
            camera.take("sign-hold-point", "inspector", sign)

    address = Reaching(stack.url, "K7 7014", before=look).to_step(22)
    camera.take("finding-new", "technician", f"{address}findings/?step=21")
    camera.take("hold", "manager", f"{address}hold/")


def other_states(camera: Camera) -> None:
    camera.take("order-requested", "planner", "/orders/2/")
    camera.take("plan", "planner", "/orders/2/plan/")
    camera.take("release", "planner", "/orders/2/release/")
    camera.take("cancel", "planner", "/orders/2/cancel/")


def readme_picture(camera: Camera, trace: str) -> None:
    """The as-found trace at 1280 wide by day, down to the end of the plot, in a palette small enough to carry."""
    from PIL import Image

    one = camera.who("technician")
    page = one.page
    page.set_viewport_size(LANDSCAPE)  # type: ignore[arg-type]
    page.emulate_media(color_scheme="light", media="screen")
    page.goto(f"/traces/{trace}/")
    camera._settle(one)
    taken = camera.folder / "readme.png"
    bottom = page.locator(".sweep-plot .plot-tools").bounding_box()
    assert bottom is not None
    height = int(bottom["y"] + bottom["height"]) + 12
    page.screenshot(path=taken, full_page=True, clip={"x": 0, "y": 0, "width": LANDSCAPE["width"], "height": height})
    README_PICTURE.parent.mkdir(exist_ok=True)
    Image.open(taken).convert("RGB").quantize(64, dither=Image.Dither.NONE).save(README_PICTURE, optimize=True)
    print(README_PICTURE.name, README_PICTURE.stat().st_size, "bytes")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("words", nargs="*")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    stack = Stack(Path(SCRATCH.name))
    try:
        stack.start()
        carrier = carry.Carrier(stack.url, print)
        card = carrier.carry()
        order = carrier.technician.get(f"orders/{card['order']}/")
        steps = carrier.technician.get(f"orders/{card['order']}/steps/")
        traces = [trace["id"] for step in steps for trace in step["traces"]]
        (unit,) = carrier.technician.get(f"units/?words={carry.UNIT.replace(' ', '%20')}")["results"]
        (engine,) = carrier.technician.get(f"engines/?words={order['engine']}")["results"]
        order |= {"unit_id": unit["id"], "engine_id": engine["id"]}
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            camera = Camera(browser, stack, asked.folder, asked.words)
            for shot in (*pages_of_a_shop(), *pages_of_a_closed_job(order, card, traces)):
                camera.take(*shot)
            other_states(camera)
            steps_as_they_come(camera, stack)
            if not asked.words or "readme" in asked.words:
                readme_picture(camera, traces[0])
            camera.close()
            browser.close()
    finally:
        stack.stop()


if __name__ == "__main__":
    main()
