"""What a technician does from the first caution to the last step, on the pages of one tablet.

The recordings handed in are made from a truth that the test knows, so the figures shown can be held against it.
"""

from __future__ import annotations

import re

from playwright.sync_api import expect

from shopapp.demo import carry, railway
from tests.e2e.browsing import PATIENCE_MS, Someone
from tests.e2e.stack import Stack

UNIT = "K7 7005"
SPEC = railway.ENGINE_TYPES[0]["spec"]
FOUND_OFF_BY_DEG = 0.9


def begin(technician: Someone, address: str) -> None:
    technician.at("What work Brackwater Yard has")
    technician.sees("Callum Strand")  # the board of a technician's own work names who is planned
    technician.page.goto(address)
    technician.follow("Start work")
    technician.at("Start work")
    technician.press("Start work")
    technician.sees("has started.")
    technician.follow("Go to step 1")


def acknowledge(technician: Someone, title: str, word: str) -> None:
    technician.at(title)
    technician.sees(word, ".caution")
    technician.sees("Local rules, the maker's manual and authorised practice come first.", ".caution")
    technician.press("I have read this caution")


def confirm(technician: Someone, title: str, note: str = "") -> None:
    technician.at(title)
    if note:
        technician.page.get_by_label("Note").fill(note)
    technician.press("It is done")


def choose(technician: Someone, **instruments: str) -> None:
    for label, number in instruments.items():
        field = technician.page.get_by_label(label.replace("_", " ").capitalize(), exact=True)
        chosen = field.locator("option", has_text=number)
        field.select_option(value=chosen.get_attribute("value"))


def read(technician: Someone, title: str, label: str, typed: str, **instruments: str) -> None:
    technician.at(title)
    choose(technician, **instruments)
    technician.page.get_by_label(label, exact=True).fill(typed)
    technician.page.locator(".actions .main").click()


def make_safe_and_prepare(technician: Someone) -> None:
    technician.at("People near a unit that can move")
    technician.audit()
    acknowledge(technician, "People near a unit that can move", "DANGER")
    acknowledge(technician, "Engine that can crank or start", "DANGER")
    technician.at("Track protection checked")
    technician.audit()
    confirm(technician, "Track protection checked", "Road 4, blue flags at both ends, derail D2 locked.")
    confirm(technician, "Own lock on each isolating point", "Locks 11 to 14, own.")
    confirm(technician, "Isolation tried")
    acknowledge(technician, "Hot parts and oil", "WARNING")
    confirm(technician, "Reference cylinder and stroke identified", "A1 as painted; fuel lobe up.")
    confirm(technician, "Rotation sense agreed")
    read(
        technician, "Probe against the check standard", "Probe error on the check standard", "0.004",
        probe="PR-07", check_standard="CS-02",
    )  # fmt: skip
    technician.at("Probe travel left at the crest")
    technician.audit()
    travel_in_inches(technician)
    read(technician, "Block temperature", "Block temperature", "19.5")
    confirm(technician, "Covers off, tools counted in", "3 covers, 14 tools.")


def travel_in_inches(technician: Someone) -> None:
    """0.386 would be out of limits in millimetres and is 9.8 mm in inches: the page asks before it takes it."""
    with technician.refused(422):
        read(technician, "Probe travel left at the crest", "Travel left", "0.386")
        technician.sees("mm or inch?")
    technician.audit()
    technician.press("It is 0.386 inch")
    technician.at("Block temperature")
    step = technician.page.url
    technician.page.get_by_role("link", name=re.compile(r"^Step 10\b")).click()
    technician.at("Probe travel left at the crest")
    technician.sees("9.8044")
    technician.sees("typed 0.386 inch")
    technician.page.goto(step)


def hand_in(technician: Someone, stage: str, off_by_deg: float) -> None:
    data = carry.recording(SPEC, SPEC["target_deg"] + off_by_deg, seed=int(UNIT[-4:]) * 2 + (stage == "as-left"))
    choose(technician, probe="PR-07", encoder="EN-03")
    file = {"name": f"{UNIT.replace(' ', '-')}-{stage}.csv.gz", "mimeType": "application/gzip", "buffer": data}
    technician.page.get_by_label("Trace file").set_input_files(files=[file])  # type: ignore[list-item]
    technician.press("Hand in the trace")


# Keeps each state that the block about the analysis goes through, as long as the page is not loaded again.
NOTE_STATES = """() => {
  window.states = [];
  const note = () => {
    const state = document.querySelector('.errand')?.dataset.state;
    if (state && window.states.at(-1) !== state) window.states.push(state);
  };
  note();
  new MutationObserver(note).observe(document.body, { childList: true, subtree: true });
}"""


def as_found(technician: Someone, stack: Stack) -> float:
    acknowledge(technician, "Barring with hands in the engine", "DANGER")
    acknowledge(technician, "Barring the wrong way", "NOTICE")
    technician.at("As-found trace")
    technician.audit()
    with stack.worker_frozen():
        hand_in(technician, "as-found", FOUND_OFF_BY_DEG)
        technician.at("What the as-found trace")
        technician.sees("Analysis of the trace: queued.")
        technician.page.evaluate(NOTE_STATES)
        technician.audit()
    running_is_seen(technician, stack)
    technician.sees("Verdict: nonconforming")
    # The states were noted by the page that was there first: it was never loaded again.
    states = technician.page.evaluate("window.states")
    assert states == ["queued", "running", "done"]
    expect(technician.page.locator(".sweep-plot .main-svg").first).to_be_visible(timeout=PATIENCE_MS)
    technician.audit()
    return deviation_on(technician)


def running_is_seen(technician: Someone, stack: Stack) -> None:
    """Let the worker go until it has the trace in hand, and hold it there until the page has told so."""
    poll = technician.page.locator(".errand").get_attribute("hx-get")
    assert poll is not None
    for _ in range(2000):
        text = technician.context.request.get(poll, headers={"HX-Request": "true"}).text()
        if 'data-state="queued"' not in text:
            break
    with stack.worker_frozen():
        technician.sees("Analysis of the trace: running.")


def deviation_on(technician: Someone) -> float:
    shown = technician.fact("Deviation")
    assert re.fullmatch(r"[+−]?\d+\.\d{3}°", shown), shown
    return float(shown.removesuffix("°").replace("−", "-"))


def stated_correction(technician: Someone) -> float:
    """What the page says the ring is to be shifted by, in mm, positive in the sense of rotation."""
    text = technician.page.locator("p.correction").inner_text()
    found = re.search(r"shift the index ring by (\d+\.\d+) mm", text)
    assert found, text
    assert "against normal rotation (anticlockwise seen from the driving end)" in text
    return -float(found[1])


def set_the_ring(technician: Someone, address: str, shift_mm: float) -> None:
    technician.page.goto(address)
    technician.follow("Go to step 17")
    acknowledge(technician, "Torque wrench that slips", "WARNING")
    read(technician, "Index ring shifted", "Ring shift", f"{shift_mm:.2f}".replace("-", "−"))
    technician.at("Ring clamp, first stage")
    technician.audit()
    typed = ["40", "39,5", "40.5", "40", "41", "40"]  # a comma is a decimal mark as well
    for bolt, value in enumerate(typed, start=1):
        torque(technician, "Ring clamp, first stage", bolt, value)
    technician.at("Ring clamp, final stage")
    technician.page.get_by_role("link", name=re.compile(r"^Step 19\b")).click()
    technician.at("Ring clamp, first stage")
    expect(technician.page.locator("table.ruled tbody tr").nth(1)).to_contain_text("39.5")
    technician.follow("Go to step 20")
    for bolt in range(1, 7):
        torque(technician, "Ring clamp, final stage", bolt, "95")
    technician.at("Ring and clamp after the final stage")
    picture = {"name": "ring.png", "mimeType": "image/png", "buffer": carry.picture()}
    technician.page.get_by_label("Photo").set_input_files(files=[picture])  # type: ignore[list-item]
    technician.press("Keep this photo")
    shown = technician.page.get_by_role("img", name="Photo ring.png, taken at step 21")
    expect(shown).to_have_js_property("naturalWidth", 160)
    technician.audit()
    technician.press("It is done")


def torque(technician: Someone, title: str, bolt: int, typed: str) -> None:
    read(technician, title, f"Torque, bolt {bolt}", typed, **({"torque_wrench": "TW-21"} if bolt == 1 else {}))
    if bolt < 6:
        expect(technician.page.get_by_label(f"Torque, bolt {bolt + 1}")).to_be_visible(timeout=PATIENCE_MS)


def as_left(technician: Someone, off_by_deg: float) -> float:
    acknowledge(technician, "Barring with hands in the engine", "DANGER")
    technician.at("As-left trace")
    hand_in(technician, "as-left", off_by_deg)
    technician.at("What the as-left trace")
    technician.sees("Verdict: conforming")
    deviation = deviation_on(technician)
    technician.press("I have read the verdict")
    return deviation


def restore(technician: Someone) -> None:
    confirm(technician, "Instruments off, tools counted out, covers on", "3 covers, 14 tools.")
    acknowledge(technician, "Locks coming off", "DANGER")
    confirm(technician, "Every lock removed by its owner", "Locks 11 to 14, own.")
    confirm(technician, "Run check", "Started at the second turn, synchronised, pressures as posted.")
    technician.at(UNIT)
    technician.sees("27 of 27 done or not needed.")
