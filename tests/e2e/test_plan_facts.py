"""A planner lays out shifts, imports absences and prints a day; the same works where no script runs."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from playwright.sync_api import expect

from tests.e2e.browsing import DESK, PATIENCE_MS, TABLET, Someone

pytestmark = [pytest.mark.browser, pytest.mark.slow]



def leave(days_from_now: int) -> bytes:
    day = datetime.now(UTC).date() + timedelta(days=days_from_now)
    return f"who;from;until;reason\ntechnician3;{day};{day};course\nNobody;{day};;\n".encode()


def test_a_pattern_is_drawn_while_it_is_typed_and_its_overlap_named(someone: Callable[..., Someone]) -> None:
    planner = someone("planner", DESK)
    page = planner.page
    page.goto("/plan/facts/")
    planner.at("Who and what is there when?")
    planner.audit()
    planner.follow("Lay out a pattern")
    page.get_by_label("Name").fill("Weekend nights")
    page.get_by_label("Week 1, Friday").fill("22:00 + 8 h")
    page.get_by_label("Week 1, Saturday").fill("05:00–09:00")
    page.keyboard.press("Tab")
    planner.sees("Week 1, Friday 22:00 and week 1, Saturday 05:00 overlap.", "#drawn")
    expect(page.get_by_label("Week 1, Sunday")).to_be_focused()
    page.get_by_label("Week 1, Saturday").fill("22:00–06:00")
    page.keyboard.press("Tab")
    planner.sees("Week 1: 16 h", "#drawn")
    expect(page.locator("#drawn .reasons")).to_have_count(0)
    planner.audit()
    planner.press("Record this pattern")
    planner.at("Who and what is there when?")
    planner.sees("Weekend nights")


@pytest.mark.parametrize("script", [True, False])
def test_absences_are_imported_after_a_look_at_each_line(someone: Callable[..., Someone], script: bool) -> None:
    planner = someone("planner", TABLET, java_script_enabled=script)
    page = planner.page
    page.goto("/plan/absences/import/")
    file = {"name": "leave.csv", "mimeType": "text/csv", "buffer": leave(40 if script else 50)}
    page.get_by_label("File").set_input_files(files=[file])  # type: ignore[list-item]
    planner.press("Show what is in it")
    planner.at("What would leave.csv change?")
    planner.sees("1 new, 1 not understood.")
    planner.sees("Nobody and nothing in the shop is called “Nobody”.")
    if script:
        planner.audit()
    planner.press("Take the good lines")
    planner.at("Who and what is away when?")
    planner.sees("Imported: 1 new, 1 not understood.")


def test_a_calendar_link_is_given_and_fetched_without_a_session(someone: Callable[..., Someone]) -> None:
    technician = someone("technician", TABLET)
    page = technician.page
    page.goto("/plan/feeds/")
    page.get_by_label("Plan of").select_option(label="Bay 1")
    technician.press("Give me the link")
    technician.audit()
    address = page.get_by_label("Link", exact=True).input_value()
    passer_by = someone("", TABLET)
    answer = passer_by.context.request.get(address)
    assert answer.status == 200
    assert answer.text().startswith("BEGIN:VCALENDAR")
    technician.press("Renew this link to Bay 1, Brackwater Yard")
    technician.sees("The old link gives nothing any more")
    assert passer_by.context.request.get(address).status == 404


@pytest.mark.parametrize(
    ("address", "heading"),
    [
        ("/plan/day/", "What does each person do"),
        ("/plan/load/", "How far is the shop booked"),
        ("/plan/promises/", "Which promises were kept"),
        ("/plan/worth/", "What would one more bay"),
        ("/plan/absences/", "Who and what is away when?"),
    ],
)
def test_the_pages_out_of_the_plan_fit_a_tablet(someone: Callable[..., Someone], address: str, heading: str) -> None:
    planner = someone("planner", TABLET)
    planner.page.goto(address)
    planner.at(heading)
    planner.audit()
    expect(planner.page.get_by_role("navigation", name="Plan")).to_be_visible(timeout=PATIENCE_MS)
