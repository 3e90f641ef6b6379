"""The planning board with many orders in a real browser: `python -m tests.bench.board [--orders 300]`.

All of Midflank runs in processes of its own on data of its own, with that many work orders requested, planned by the
worker and accepted. Then Chromium loads the board, an operation is dragged to and fro for some seconds, and every
frame is timed (requestAnimationFrame), as is every answer about what the move does. Nothing is compared with a limit
here; a figure of speed is read, not tested.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

from shopapp.demo import railway
from tests.e2e.browsing import ARGUMENTS, CHROMIUM
from tests.e2e.stack import Stack

MAKE = """
from datetime import timedelta
from django.utils import timezone
from jobs.errands import work
from jobs.fleet.models import Unit
from jobs.orders import actions
from jobs.orders.models import Procedure
from jobs.people.models import Person
from jobs.planning.actions import plans
planner = Person.objects.get(username="planner"); at = timezone.now(); procedure = Procedure.objects.get()
units = list(Unit.objects.filter(home_shop=planner.shop))
for number in range({orders} - planner.shop.work_orders.count()):
    actions.request_order(unit=units[number % len(units)], procedure=procedure, reason="overhaul",
        priority=1 + number % 3, needed_by=at + timedelta(days=2 + number // 6), by=planner, at=at)
asked = plans.ask_plan(seconds=1.0, by=planner, at=at)
while (held := work.claim_next()) is not None:
    work.run(held)
plans.accept_plan(asked.plans.order_by("pk")[0], by=planner, at=timezone.now())
"""
FRAMES = """async (seconds) => {
  const times = [];
  await new Promise((done) => {
    const end = performance.now() + seconds * 1000;
    const frame = (now) => { times.push(now); now < end ? requestAnimationFrame(frame) : done(); };
    requestAnimationFrame(frame);
  });
  return times;
}"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--orders", type=int, default=300)
    parser.add_argument("--seconds", type=float, default=6.0)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        stack = Stack(Path(folder))
        try:
            stack.start()
            stack.manage("shell", "-v0", "-c", MAKE.format(orders=wanted.orders), timeout=900)
            measure(stack, wanted.orders, wanted.seconds)
        finally:
            stack.stop()


def measure(stack: Stack, orders: int, seconds: float) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page(viewport={"width": 1600, "height": 1000}, base_url=stack.url)
        page.goto("/sign-in/")
        page.get_by_label("User name").fill("planner")
        page.get_by_label("Password").fill(railway.PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_load_state()
        page.goto("/plan/")
        begun = time.perf_counter()
        page.goto("/plan/")
        page.locator(".board-bar").first.wait_for(timeout=120_000)
        shown = time.perf_counter() - begun
        bars = len(page.evaluate("JSON.parse(document.getElementById('board-data').textContent).bars"))
        print(f"{orders} orders, {bars} operations; the board is there after {shown:.2f} s")
        print("stretch   frames   median      p95  slowest  a second  answers   median")
        page.locator(".board-bar").first.focus()  # what is meant stays in sight when the stretch of time changes
        for zoom in ("shift", "day", "week", "month"):
            print(line(page, zoom, seconds))
        browser.close()


def line(page: Page, zoom: str, seconds: float) -> str:
    """Drag the first operation in sight about for some seconds; its line of the table."""
    page.locator(f"[data-zoom='{zoom}']").click()
    page.wait_for_timeout(500)
    answers: list[float] = []

    def answered(request: Any) -> None:
        if request.url.endswith("/try/"):
            answers.append(request.timing["responseEnd"])

    page.on("requestfinished", answered)
    box = page.evaluate("""() => {
      const sheet = document.querySelector("[data-sheet]").getBoundingClientRect();
      const bar = [...document.querySelectorAll(".board-bar:not(.in-hand)")].map((one) => one.getBoundingClientRect())
        .find((one) => one.left > sheet.left + 190 && one.right < sheet.right - 60 && one.top > sheet.top + 60);
      return bar && [bar.left, bar.top];
    }""")
    assert box, f"no operation is in sight at the stretch of a {zoom}"
    page.mouse.move(box[0] + 3, box[1] + 8)
    page.mouse.down()
    page.evaluate(f"window.framesSeen = ({FRAMES})({seconds})")
    until, step = time.monotonic() + seconds, 0
    while time.monotonic() < until:
        step += 1
        page.mouse.move(box[0] + 3 + 200 * abs((step % 80) / 40 - 1), box[1] + 8 + 40 * abs((step % 30) / 15 - 1))
    times = page.evaluate("window.framesSeen")
    page.keyboard.press("Escape")
    page.mouse.up()
    page.remove_listener("requestfinished", answered)
    gaps = [later - earlier for earlier, later in itertools.pairwise(times)]
    return (
        f"{zoom:8} {len(gaps):7d} {statistics.median(gaps):6.1f}ms {statistics.quantiles(gaps, n=20)[-1]:6.1f}ms "
        f"{max(gaps):6.1f}ms {1000 * len(gaps) / sum(gaps):9.1f} {len(answers):8d} "
        f"{statistics.median(answers) if answers else 0:6.1f}ms"
    )


if __name__ == "__main__":
    main()
