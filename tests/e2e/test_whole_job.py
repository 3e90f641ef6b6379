"""One timing job from request to filed card, in a real browser, as the people who do it.

Nothing is prepared but the invented railway: what the pages say was typed, handed in, analysed and signed here.
The recordings are made from a truth that this test knows, so the figures on the pages can be held against it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import expect

from shopapp.demo import railway
from tests.e2e.afterwards import (
    fetch_the_card,
    the_auditor_finds_it_all,
    the_public_page_agrees,
    the_signature_is_valid,
)
from tests.e2e.browsing import DESK, LANDSCAPE, TABLET, Someone
from tests.e2e.stack import Stack
from tests.e2e.technician import (
    FOUND_OFF_BY_DEG,
    SPEC,
    UNIT,
    acknowledge,
    as_found,
    as_left,
    begin,
    make_safe_and_prepare,
    restore,
    set_the_ring,
    stated_correction,
)

pytestmark = [pytest.mark.browser, pytest.mark.slow]

Arrives = Callable[..., Someone]


def test_a_timing_job_is_carried_from_request_to_filed_card(stack: Stack, someone: Arrives, tmp_path: Path) -> None:
    address = request_plan_and_release(someone("planner", DESK))
    technician, inspector = someone("technician", TABLET), someone("inspector", LANDSCAPE)
    begin(technician, address)
    make_safe_and_prepare(technician)
    deviation = as_found(technician, stack)
    assert deviation == pytest.approx(FOUND_OFF_BY_DEG, abs=0.06)
    shift_mm = stated_correction(technician)
    technician.press("I have read the verdict")
    technician.at("Second look at the as-found verdict")
    look_a_second_time(inspector, address, deviation)
    set_the_ring(technician, address, shift_mm)
    truth = FOUND_OFF_BY_DEG + math.degrees(shift_mm / SPEC["index_radius_mm"])
    left = as_left(technician, truth)
    assert left == pytest.approx(truth, abs=0.06)
    restore(technician)
    sign_performed(technician, address)
    nobody_verifies_their_own_work(technician, someone("admin", DESK), address)
    sign(inspector, address, "Sign: verified", "Petra Voss signed")
    sign(someone("manager", LANDSCAPE), address, "Sign: released to service", "Gareth Lowe signed")
    pdf, verification = fetch_the_card(inspector, address, tmp_path)
    the_signature_is_valid(pdf)
    the_public_page_agrees(someone("", TABLET), verification, pdf)
    the_auditor_finds_it_all(someone("auditor", DESK), tmp_path)


# --- Planner ------------------------------------------------------------------------------------------


def request_plan_and_release(planner: Someone) -> str:
    page = planner.page
    planner.at("What work Brackwater Yard has")
    planner.audit()
    planner.follow("Request a work order")
    planner.at("Which unit needs work, and why?")
    planner.audit()
    with planner.refused(422):  # without a unit and a reason
        planner.press("Request the work order")
        planner.sees("Not accepted.")
    page.get_by_label("Unit").select_option(label=page.get_by_role("option", name=UNIT).inner_text())
    page.get_by_label("index ring renewed or disturbed").check()
    page.get_by_label("What is known").fill("Ring taken off to reach the rear seal.")
    planner.press("Request the work order")
    planner.at(UNIT)
    planner.sees("requested. A planner gives it a bay, people and a time.")
    address = page.url
    planner.audit()
    planner.follow("Plan it")
    planner.at("Plan")
    planner.audit()
    now = datetime.now(ZoneInfo(railway.TIME_ZONE))
    page.get_by_label("Bay").fill("Bay 2")
    page.get_by_label("Start").fill(f"{now:%Y-%m-%dT%H:%M}")
    page.get_by_label("End").fill(f"{now + timedelta(hours=5):%Y-%m-%dT%H:%M}")
    page.get_by_label("Technician").select_option(label="Callum Strand")
    page.get_by_label("Inspector").select_option(label="Petra Voss")
    planner.press("Keep this plan")
    planner.sees("is planned.")
    planner.follow("Release it to the floor")
    planner.sees("freezes the revisions of engine type and procedure")
    planner.audit()
    planner.press("Release it")
    planner.sees("is released to the floor.")
    expect(page.locator("ol.steps > li")).to_have_count(27)
    return address


# --- Signing ------------------------------------------------------------------------------------------


def look_a_second_time(inspector: Someone, address: str, deviation: float) -> None:
    inspector.page.goto("/")
    inspector.at("What work Brackwater Yard has")
    inspector.sees(UNIT)  # the inspector's day begins with what waits for a second person
    inspector.page.goto(address)
    inspector.audit()
    inspector.follow("Look at hold point 16")
    inspector.at("Second look at the as-found verdict")
    inspector.audit()
    for title in ("Barring with hands in the engine", "Barring the wrong way"):
        inspector.page.locator(".actions .main").click()
        acknowledge(inspector, title, "")
        inspector.at("Second look at the as-found verdict")
    inspector.follow("Sign this hold point")
    inspector.at("Release the hold point at step 16")
    inspector.sees(f"{deviation:+.3f}°")
    inspector.audit()
    with inspector.refused(422):
        inspector.page.get_by_label("Password").fill("not the password")
        inspector.press("Sign and release the hold point")
        inspector.sees("Not accepted.")
    inspector.page.get_by_label("Password").fill(railway.PASSWORD)
    inspector.press("Sign and release the hold point")
    inspector.sees("Petra Voss released the hold point at step 16")


def sign(one: Someone, address: str, words: str, told: str) -> None:
    one.page.goto(address)
    one.page.locator(".actions .main").click()
    one.at("Sign BY-")
    one.sees("If anything in the record changes later, your signature is void", "p.effect")
    one.page.get_by_label("Password").fill(railway.PASSWORD)
    one.press(words)
    one.sees(told)


def sign_performed(technician: Someone, address: str) -> None:
    sign(technician, address, "Sign: performed", "Callum Strand signed")
    technician.audit()


def nobody_verifies_their_own_work(technician: Someone, admin: Someone, address: str) -> None:
    """First for want of the role; then, with role and qualification, because it is their own work."""
    verify = f"{address}sign/verified/"
    with technician.refused(403):
        technician.page.goto(verify)
        technician.sees("Only an inspector may sign that the work was verified. Callum Strand holds: technician.")
    technician.audit()
    make_an_inspector_of_callum(admin)
    technician.page.goto(verify)
    technician.sees("You did some of this work yourself, so another person verifies it.")
    expect(technician.page.get_by_label("Password")).to_have_count(0)
    technician.audit()


def make_an_inspector_of_callum(admin: Someone) -> None:
    page = admin.page
    admin.at("Who works in Brackwater Yard")
    admin.audit()
    admin.follow("Callum Strand")
    admin.at("What Callum Strand may do and sign")
    admin.audit()
    page.locator("summary", has_text="Give a role").click()
    page.get_by_label("Role", exact=True).first.select_option(label="inspector")
    admin.press("Give the role")
    admin.sees("Recorded for Callum Strand.")
    page.locator("summary", has_text="Enter a qualification").click()
    page.get_by_label("Skill", exact=True).first.select_option(label="Verifying timing jobs")
    admin.press("Enter the qualification")
    admin.sees("Recorded for Callum Strand.")
    admin.sees("Verifying timing jobs")
