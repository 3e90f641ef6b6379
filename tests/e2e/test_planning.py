"""A planner's Monday in a real browser: the first plan, a move by mouse and by keyboard, a second planner at the same
board, a probe that is lost, and the accepted plan around it."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import Locator, expect

from shopapp.demo import railway
from tests.e2e.browsing import DESK, PATIENCE_MS, TABLET, Someone
from tests.e2e.stack import Stack

pytestmark = [pytest.mark.browser, pytest.mark.slow]

Arrives = Callable[..., Someone]
ASK_AS_SECOND = """
from jobs.people.models import Person
from jobs.people.actions import add_person
from jobs.ledger.actions import System
from django.utils import timezone
from shopapp.demo import railway
shop = Person.objects.get(username="planner").shop
add_person(username="planner2", name="Lorna Haig", shop=shop, password=railway.PASSWORD, roles=["planner"],
           by=System("Midflank set-up"), at=timezone.now())
"""


def test_a_planner_plans_monday_loses_a_probe_and_promises_again(stack: Stack, someone: Arrives) -> None:
    stack.manage("shell", "-v0", "-c", ASK_AS_SECOND)
    planner = someone("planner", DESK)
    first_plan(planner)
    looks_far_and_near(planner)
    moves_by_mouse(planner)
    drags_to_another_bay(planner)
    moves_by_keyboard(planner)
    second = someone("planner2", DESK)
    two_at_one_board(planner, second)
    accept_the_board(planner)
    lose_a_probe(planner)
    promise(planner)
    others_read(someone)


# --- The first plan -----------------------------------------------------------------------------------


def first_plan(planner: Someone) -> None:
    planner.follow("Plan")
    planner.at("Where and with whom is work planned?")
    planner.audit()
    planner.follow("Ask for the first plan")
    planner.at("Ask for a plan of all open work")
    planner.audit()
    planner.press("Look for plans")
    found(planner)
    planner.sees("What each plan costs")
    planner.audit()
    planner.page.get_by_role("button", name=re.compile("^Accept: fewest hours late")).click()
    planner.sees("Plan 1 is in force")
    board(planner)
    planner.audit()


def found(planner: Someone) -> None:
    """Wait for the worker; where nothing is compiled yet it does that first."""
    heading = planner.page.get_by_role("heading", level=1)
    asked = re.compile("Which of these plans shall be in force|Shall this plan be in force")
    expect(heading).to_contain_text(asked, timeout=4 * PATIENCE_MS)


def board(planner: Someone) -> None:
    planner.at("Where and with whom is work planned?")
    expect(planner.page.locator(".board-bar").first).to_be_visible(timeout=PATIENCE_MS)


def first_bar(planner: Someone) -> Locator:
    """The last operation of the order that is first in the first bay: when it moves, so does the order's end."""
    return planner.page.locator("[data-row^='place-']").first.locator(".board-bar[aria-label*=', close,']").first


def looks_far_and_near(planner: Someone) -> None:
    """Who looks at the month and comes back is where the work is, on a day that is named, with whole unit numbers."""
    page = planner.page
    today = f"{datetime.now(ZoneInfo(railway.TIME_ZONE)):%Y-%m-%d}"
    for key in ("4", "3", "1", "2"):
        page.keyboard.press(key)
        # the month names weeks by their first day, where they have room for it
        named = page.locator(".board-date b", has_text="" if key == "4" else today)
        expect(named.first).to_be_in_viewport()
        expect(page.locator(".board-now").first).to_be_in_viewport()
        assert page.evaluate(CUT_OFF) == []
        assert page.evaluate(HIDDEN) == [] or key == "4"


# The unit numbers that do not end where they are drawn to.
CUT_OFF = """() => [...document.querySelectorAll(".board-kept")].filter((part) =>
    part.firstChild.getBoundingClientRect().width > part.getBoundingClientRect().width + 4)
    .map((part) => part.textContent)"""


# Bars in sight in whose middle another one lies.
HIDDEN = """() => [...document.querySelectorAll("[data-row^='place-'] .board-bar")].filter((bar) => {
    const { left, top, width, height } = bar.getBoundingClientRect();
    const there = document.elementFromPoint(left + width / 2, top + height / 2);
    return there?.closest(".board-bar") && there.closest(".board-bar") !== bar;
}).map((bar) => bar.getAttribute("aria-label"))"""


# --- Moving -------------------------------------------------------------------------------------------


def moves_by_mouse(planner: Someone) -> None:
    page = planner.page
    bar = first_bar(planner)
    label = bar.get_attribute("aria-label")
    identity = bar.get_attribute("data-id")
    assert label is not None
    bar.scroll_into_view_if_needed()
    box = bar.bounding_box()
    assert box
    page.mouse.move(box["x"] + 4, box["y"] + 8)
    page.mouse.down()
    page.mouse.move(box["x"] + 44, box["y"] + 8, steps=6)
    page.mouse.move(box["x"] + 124, box["y"] + 8, steps=6)
    # What the move does is said while the bar is in hand, not after.
    expect(page.locator("[data-told]")).to_contain_text("later than before", timeout=PATIENCE_MS)
    expect(page.locator("[data-board-moves]")).to_have_text("")
    page.mouse.up()
    expect(page.locator("[data-told]")).to_contain_text("Moved:", timeout=PATIENCE_MS)
    expect(page.locator("[data-board-moves]")).to_contain_text("1 move by hand")
    moved = page.locator(f"[data-row^='place-'] [data-id='{identity}']")
    assert moved.get_attribute("aria-label") != label
    page.keyboard.press("Control+z")
    expect(page.locator("[data-told]")).to_contain_text("Taken back", timeout=PATIENCE_MS)
    expect(page.locator("[data-board-moves]")).to_have_text("")
    expect(page.locator(f"[data-row^='place-'] [data-id='{identity}']")).to_have_attribute("aria-label", label)


def drags_to_another_bay(planner: Someone) -> None:
    """The bar in hand lies under the pointer, wherever it is: what is under it is the line all the same."""
    page = planner.page
    bar, below = first_bar(planner), page.locator("[data-row^='place-']").nth(1)
    bar.scroll_into_view_if_needed()
    box = bar.bounding_box()
    assert box
    page.mouse.move(box["x"] + 4, box["y"] + 8)
    page.mouse.down()
    page.mouse.move(box["x"] + 4, box["y"] + 16, steps=4)
    expect(page.locator("[data-told]")).to_contain_text("Bay 1", timeout=PATIENCE_MS)
    # where it is drawn, since what is said comes a moment later, and may move the lines
    drawn = []
    for part in (0.2, 0.27, 0.34, 0.41, 0.48, 0.55):
        line = below.bounding_box()
        assert line
        page.mouse.move(box["x"] + 4, line["y"] + part * line["height"])
        page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        down = page.locator(".board-bar.lifted").evaluate("(bar) => new DOMMatrix(bar.style.transform).f")
        drawn.append(round(down / line["height"]))
    assert drawn == [1] * len(drawn)
    expect(page.locator("[data-told]")).to_contain_text("Bay 2", timeout=PATIENCE_MS)
    page.keyboard.press("Escape")
    page.mouse.up()
    expect(page.locator(".board-bar.lifted")).to_have_count(0)


def moves_by_keyboard(planner: Someone) -> None:
    page = planner.page
    bar = first_bar(planner)
    identity = bar.get_attribute("data-id")
    bar.focus()
    page.keyboard.press("Enter")
    expect(page.locator("[data-told]")).to_contain_text("Bay 1", timeout=PATIENCE_MS)
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("ArrowRight")
    expect(page.locator("[data-told]")).to_contain_text("1 h 15 min later than before", timeout=PATIENCE_MS)
    page.keyboard.press("ArrowDown")
    expect(page.locator("[data-told]")).to_contain_text("Bay 2", timeout=PATIENCE_MS)
    for _ in range(40):
        page.keyboard.press("PageUp")
    assert page.evaluate(LEFT_OF_THE_BOARD) >= 0, "a bar in hand is out of sight"
    page.keyboard.press("Escape")
    expect(page.locator("[data-told]")).to_contain_text("Left where it was.")
    expect(page.locator("[data-board-moves]")).to_have_text("")
    page.keyboard.press("Enter")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("[data-told]")).to_contain_text("Moved:", timeout=PATIENCE_MS)
    expect(page.locator(f"[data-id='{identity}']").first).to_be_focused()
    page.keyboard.press("p")
    expect(page.locator(f"[data-row^='place-'] [data-id='{identity}']")).to_have_class(
        re.compile(r"\bpinned\b"), timeout=PATIENCE_MS
    )
    page.keyboard.press("p")
    expect(page.locator(f"[data-row^='place-'] [data-id='{identity}']")).not_to_have_class(
        re.compile(r"\bpinned\b"), timeout=PATIENCE_MS
    )
    expect(page.locator("[data-board-moves]")).to_contain_text("3 moves by hand")
    for key in ("1", "3", "4", "2"):  # every stretch of time has bars in it
        page.keyboard.press(key)
        expect(page.locator(".board-bar").first).to_be_visible()
    planner.audit()


def two_at_one_board(planner: Someone, second: Someone) -> None:
    second.page.goto("/plan/")
    board(second)
    expect(planner.page.locator("[data-board-watching]")).to_contain_text("Lorna Haig", timeout=PATIENCE_MS)
    expect(second.page.locator("[data-board-watching]")).to_contain_text("Morag Tillery", timeout=PATIENCE_MS)
    bar = first_bar(second)
    identity = bar.get_attribute("data-id")
    bar.focus()
    second.page.keyboard.press("Enter")
    second.page.keyboard.press("Shift+ArrowRight")
    expect(planner.page.locator("[data-board-watching]")).to_contain_text("is moving", timeout=PATIENCE_MS)
    second.page.keyboard.press("Enter")
    expect(second.page.locator("[data-told]")).to_contain_text("Moved:", timeout=PATIENCE_MS)
    # The other board follows by itself.
    expect(planner.page.locator("[data-board-moves]")).to_contain_text("4 moves by hand", timeout=PATIENCE_MS)
    stands = second.page.locator(f"[data-row^='place-'] [data-id='{identity}']").get_attribute("aria-label")
    assert stands
    expect(planner.page.locator(f"[data-row^='place-'] [data-id='{identity}']")).to_have_attribute("aria-label", stands)
    second.page.keyboard.press("Control+z")
    expect(planner.page.locator("[data-board-moves]")).to_contain_text("3 moves by hand", timeout=PATIENCE_MS)


# How far the bar in hand is from the left end of what is in sight of the board, in pixels.
LEFT_OF_THE_BOARD = """() => document.querySelector(".board-bar.lifted").getBoundingClientRect().left
    - document.querySelector("[data-sheet]").getBoundingClientRect().left"""

# The first operation that can stand some quarters of an hour later without a clash, and by how many.
HARMLESS = """async () => {
  const board = await (await fetch("/plan/board.json")).json();
  const token = document.querySelector("[name=csrfmiddlewaretoken]").value;
  for (const bar of board.bars.filter((one) => one.state === "planned").sort((a, b) => b.start - a.start))
    for (let quarters = 1; quarters < 5; quarters += 1) {
      const body = new URLSearchParams({ operation: bar.id, start: bar.start + 15 * quarters, push: "true" });
      const answer = await fetch("/plan/board/try/", { method: "POST", body, headers: { "X-CSRFToken": token } });
      if (!(await answer.json()).clashes.length) return [bar.id, bar.resources[1], quarters];
    }
  return null;
}"""


def accept_the_board(planner: Someone) -> None:
    page = planner.page
    for left in (2, 1, 0):
        page.keyboard.press("Control+z")
        expect(page.locator("[data-board-moves]")).to_have_text(
            re.compile(f"^{left} move") if left else "", timeout=PATIENCE_MS
        )
    found = page.evaluate(HARMLESS)
    assert found, "no operation can move without a clash"
    operation, row, quarters = found
    page.keyboard.press("4")  # the month, so that it is in sight
    bar = page.locator(f"[data-row='{row}'] [data-id='{operation}']")
    bar.focus()
    page.keyboard.press("Enter")
    for _ in range(quarters):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(page.locator("[data-told]")).to_contain_text("Moved:", timeout=PATIENCE_MS)
    planner.follow("Accept the board")
    planner.at("Accept the board as plan 2?")
    planner.sees("Morag Tillery")
    planner.audit()
    planner.press("Accept it as plan 2")
    planner.sees("Plan 2 is in force")


# --- A day that goes wrong ----------------------------------------------------------------------------


def lose_a_probe(planner: Someone) -> None:
    page = planner.page
    page.goto("/plan/")
    board(planner)
    planner.follow("Something went wrong")
    planner.at("What went wrong, from when, for how long?")
    planner.audit()
    page.get_by_label("Who or what").select_option("PR-07")
    now = datetime.now(ZoneInfo(railway.TIME_ZONE)) + timedelta(minutes=1)
    page.get_by_label("From").fill(f"{now:%Y-%m-%dT%H:%M}")
    page.get_by_label("For how many hours").fill("96")
    page.get_by_label("Because").fill("dropped")
    planner.press("Enter it and look for plans")
    found(planner)
    planner.sees("PR-07 not there from")
    planner.sees("Operations moved")
    planner.audit()
    page.get_by_role("button", name=re.compile("^Accept: ")).first.click()
    planner.sees("is in force")
    board(planner)
    planner.follow("Versions")
    planner.at("Which plans were in force, and since when?")
    planner.audit()
    planner.follow("Plan 1")
    planner.at("Plan 1: what stood where")
    planner.sees("Replaced by")
    planner.audit()


def promise(planner: Someone) -> None:
    page = planner.page
    page.goto("/orders/?needs=release")
    page.locator("table.ruled tbody a").first.click()
    planner.sees("In the plan")
    planner.follow("When can it be promised?")
    planner.at("honestly be promised?")
    planner.sees("where the board has it.")
    planner.audit()
    page.get_by_role("button", name=re.compile("^Take ")).first.click()
    planner.press("Give this promise")
    planner.sees("is promised by")


def others_read(someone: Arrives) -> None:
    technician = someone("technician", TABLET)
    technician.page.goto("/plan/")
    board(technician)
    technician.audit()
    expect(technician.page.get_by_role("link", name="Something went wrong")).to_have_count(0)
    first_bar(technician).click()
    expect(technician.page.locator("[data-told]")).to_contain_text("With ", timeout=PATIENCE_MS)
