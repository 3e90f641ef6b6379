"""What is left of a job when it is closed: the filed card, its public page, and the history an auditor reads."""

from __future__ import annotations

import csv
import re
import subprocess
from pathlib import Path

from tests.e2e.browsing import Someone
from tests.e2e.technician import UNIT


def fetch_the_card(inspector: Someone, address: str, folder: Path) -> tuple[Path, str]:
    page = inspector.page
    page.goto(address)
    # Rendered by the worker after the release; the page that was open meanwhile shows it without being loaded again.
    page.get_by_role("link", name="Card 1", exact=True).click()
    inspector.at("Job card 1 of BY-")
    inspector.sees("The filed card is intact")
    inspector.sees("The card shows the record as it is now.")
    inspector.audit()
    pdf = folder / "card.pdf"
    file = page.get_by_role("link", name="Open the PDF").get_attribute("href")
    assert file is not None
    pdf.write_bytes(inspector.context.request.get(file).body())
    verification = page.get_by_role("link", name="/verify/").get_attribute("href")
    assert verification is not None
    return pdf, verification


def the_signature_is_valid(pdf: Path) -> None:
    said = subprocess.run(["pdfsig", str(pdf)], capture_output=True, text=True, timeout=60, check=False).stdout
    assert "Signature is Valid" in said, said
    assert "Total document signed" in said, said


def the_public_page_agrees(passer_by: Someone, verification: str, pdf: Path) -> None:
    page = passer_by.page
    page.goto(verification)
    passer_by.at("is it genuine?")
    passer_by.sees("The filed card is intact")
    for name in ("Petra Voss", "Callum Strand", "Gareth Lowe"):
        passer_by.sees(name)
    passer_by.audit()
    page.locator("input[type=file]").set_input_files(pdf)
    passer_by.press("Compare")
    passer_by.sees("What you hold is this card")
    altered = pdf.with_name("altered.pdf")
    altered.write_bytes(pdf.read_bytes().replace(b"\n", b"\r", 1))
    page.locator("input[type=file]").set_input_files(altered)
    passer_by.press("Compare")
    passer_by.sees("What you hold is not this card")


def the_auditor_finds_it_all(auditor: Someone, folder: Path) -> None:
    page = auditor.page
    auditor.at("History of Brackwater Yard")
    auditor.audit()
    page.get_by_role("textbox", name="Who", exact=True).fill("Petra")
    auditor.press("Show")
    auditor.sees("that match the filter")
    auditor.sees("Petra Voss released the hold point at step 16")
    auditor.follow("Show all")
    auditor.press("Check the whole chain now")
    auditor.sees("The chain holds.", "#verified")
    said = page.locator("#verified").inner_text()
    entries = page.locator("dt", has_text="Entries").locator("xpath=following-sibling::dd").first.inner_text()
    assert f"All {entries} entries of BY" in said
    auditor.audit()
    page.get_by_role("link", name=UNIT).first.click()
    auditor.at(f"History of {UNIT}")
    auditor.audit()
    with page.expect_download() as downloading:
        auditor.follow("Export what is shown as CSV")
    found = read_csv(Path(downloading.value.path()))
    the_export_tells_the_job(found)
    # An auditor reads and exports, and that is all.
    with auditor.refused(403):
        page.goto("/orders/new/")
        auditor.sees("Only a planner or shop manager may request a work order. Hanne Brook holds: quality auditor.")


def read_csv(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def the_export_tells_the_job(found: list[dict[str, str]]) -> None:
    whole = "\n".join(f"{row['who']}: {row['what']}" for row in found)
    assert "Morag Tillery" in whole
    for meaning, name in (("performed", "Callum Strand"), ("verified", "Petra Voss"), ("released", "Gareth Lowe")):
        assert re.search(rf"{name} signed BY-\d+-\d+: {meaning}", whole), whole
    assert re.search(r"released the hold point at step 16", whole)
    assert "nonconforming" in whole
    numbers = [int(row["number"]) for row in found]
    assert numbers == sorted(numbers, reverse=True)
    assert len(set(numbers)) == len(numbers)
