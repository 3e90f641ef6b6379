"""The job card: rendered by a worker, sealed, filed once, and told when it is no longer what was filed."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from django.utils.html import escape

from jobs.errands import work
from jobs.errands.models import Errand
from jobs.errors import NotAllowed, WrongPerson
from jobs.ledger import queries as ledger
from jobs.orders import actions as orders
from jobs.orders import storage
from jobs.orders.models import Analysis, WorkOrder
from jobs.people.models import Person
from jobs.signoffs import actions, filing, tasks, verification
from jobs.signoffs.card import facts as card_facts
from jobs.signoffs.card import figures, rendering
from jobs.signoffs.models import JobCard
from tests.cast import STEP
from tests.tools import tool
from tests.walking import Walk


def text_of(card: JobCard) -> str:
    """The words on the card as a reader of PDF sees them, white space evened out."""
    path = filing.store().path(card.sha256)
    said = subprocess.run(
        [tool("pdftotext", "poppler-utils"), "-layout", str(path), "-"], capture_output=True, text=True, check=True
    ).stdout
    return " ".join(said.split())


def test_closing_asks_for_the_card_and_a_worker_files_it(filed: JobCard) -> None:
    errand = Errand.objects.get(kind="render-card")
    assert errand.state == Errand.State.DONE
    assert errand.outcome == {"job_card": filed.pk, "sha256": filed.sha256}
    assert (filed.number, filed.order_state) == (1, "closed")
    assert verification.check(filed).holds


def test_poppler_calls_the_filed_card_valid(filed: JobCard) -> None:
    path = str(filing.store().path(filed.sha256))
    pdfsig = tool("pdfsig", "poppler-utils")
    assert "Signature is Valid." in subprocess.run([pdfsig, path], capture_output=True, text=True, check=False).stdout


def test_filing_is_in_the_history_with_the_hashes(filed: JobCard) -> None:
    entry = ledger.of_chain("BY").get(kind="card.filed")
    data = json.loads(entry.body)["data"]
    assert (data["sha256"], data["certificate_sha256"]) == (filed.sha256, filed.certificate_sha256)
    assert data["content_sha256"] == filed.content_sha256
    assert ledger.verify("BY").holds


def test_the_card_says_who_did_what_with_which_instrument_and_who_signed(filed: JobCard) -> None:
    said = text_of(filed)
    order = filed.work_order
    for words in (
        order.number, "7012", "12-0457", "KV12 revision 1", "re-time revision 1", "seen from the driving end",
        "ISO 1204", "PR-07", "C-0001", "TW-11", "2066-01-10",
        "DANGER", "Cranking disabled and locked", "Tom Turner, acknowledged",
        "10.004 mm", "9.98 to 10.02 mm", "bolt 4 90 N·m", "81 to 99 N·m", "Ines Inskip, signed",
        "Demo data: invented railway", "Strathlune & Western", "Identification number", "1 of",
    ):  # fmt: skip
        assert words in said, words
    for signoff in order.signoffs.all():
        assert signoff.signer_name in said
        assert signoff.document_sha256 in said
        assert " ".join(signoff.statement.split()) in said
    for trace in order.traces.all():
        assert trace.bytes_id in said


def test_a_correction_shows_the_earlier_value_and_why(
    all_done: WorkOrder, technician: Person, walk: Walk, at: datetime, signing_key: Path, run_errands: Callable[[], int]
) -> None:
    reading = all_done.steps.get(position=STEP["torque"]).readings.get(point="bolt 2")
    orders.correct_reading(reading, entered="92.5", unit="N·m", reason="wrong bolt", by=technician, at=at)
    page = page_of(all_done)
    assert "<s>90 N·m</s> <b>92.5 N·m</b>" in page
    assert "corrected from 90 to 92.5 N·m by Tom Turner" in page
    assert "wrong bolt" in page


def page_of(order: WorkOrder) -> str:
    """The HTML behind the pages of a card."""
    from django.template.loader import render_to_string
    from django.utils import timezone

    identity = rendering.Identity(number=1, token="t" * 32, rendered_at=timezone.now())
    return render_to_string(rendering.TEMPLATE, rendering.context(card_facts.gather(order.pk), identity))


def test_real_sweeps_are_drawn_with_their_verdict_and_budget(
    past_hold_point: WorkOrder, walk: Walk, measure: Callable[..., Analysis]
) -> None:
    walk(past_hold_point, until="as-found")
    found = measure(past_hold_point, 141.0)
    page = page_of(past_hold_point)
    assert found.verdict == "nonconforming"
    assert page.count('<figure class="plot"><svg') == 1
    assert "forward" in page
    assert "reverse" in page
    assert "residual" in page
    assert "nonconforming" in page
    assert all(escape(line["source"]) in page for line in found.result["budget"])
    assert found.result["findings"]["coverage_from"] == "mixture"
    assert "effects which may be there or not" in page


def test_the_same_facts_give_the_same_bytes(
    past_hold_point: WorkOrder, walk: Walk, measure: Callable[..., Analysis]
) -> None:
    walk(past_hold_point, until="as-found")
    measure(past_hold_point, 141.0)
    facts = card_facts.gather(past_hold_point.pk)
    identity = rendering.Identity(number=1, token="t" * 32, rendered_at=walk.at)
    assert rendering.render(facts, identity) == rendering.render(facts, identity)


def test_a_trace_whose_bytes_are_lost_says_so_in_place_of_its_plot(
    past_hold_point: WorkOrder, walk: Walk, measure: Callable[..., Analysis]
) -> None:
    walk(past_hold_point, until="as-found")
    found = measure(past_hold_point, 141.0)
    storage.traces().path(found.trace.bytes_id).unlink()
    assert "is missing from the store" in page_of(past_hold_point)


def test_what_people_wrote_cannot_become_markup(all_done: WorkOrder, technician: Person, at: datetime) -> None:
    text = '<img src="file:///etc/hostname"><script>x</script>'
    orders.raise_finding(all_done, text=text, by=technician, at=at)
    page = page_of(all_done)
    assert "<img" not in page
    assert "<script" not in page


@pytest.mark.parametrize(
    "url", ["file:///etc/hostname", "http://127.0.0.1/x", "static:///../settings.py", "static:///nothing.css"]
)
def test_the_page_fetches_nothing_but_our_static_files(url: str) -> None:
    with pytest.raises(Exception, match=r"may not fetch|outside"):
        rendering.OnlyOurFiles().fetch(url)


def test_an_unfinished_order_is_printed_with_its_state(
    past_hold_point: WorkOrder, planner: Person, at: datetime, signing_key: Path, run_errands: Callable[[], int]
) -> None:
    actions.ask_card(past_hold_point, by=planner, at=at)
    run_errands()
    said = text_of(JobCard.objects.get())
    assert "This card shows an unfinished work order, in work" in said
    assert "not measured" in said


def test_before_release_there_is_no_card(planned: WorkOrder, planner: Person, at: datetime) -> None:
    with pytest.raises(NotAllowed, match="from release on"):
        actions.ask_card(planned, by=planner, at=at)


def test_an_auditor_asks_for_no_card(released: WorkOrder, auditor: Person, at: datetime) -> None:
    with pytest.raises(WrongPerson):
        actions.ask_card(released, by=auditor, at=at)


# --- Once with effect -----------------------------------------------------------------------------------


def test_asking_again_for_the_same_record_is_the_same_errand(
    released: WorkOrder, planner: Person, at: datetime
) -> None:
    assert actions.ask_card(released, by=planner, at=at) == actions.ask_card(released, by=planner, at=at)


def test_asking_after_a_change_is_another_errand_and_another_card(
    in_work: WorkOrder, walk: Walk, planner: Person, at: datetime, signing_key: Path, run_errands: Callable[[], int]
) -> None:
    actions.ask_card(in_work, by=planner, at=at)
    run_errands()
    walk(in_work, until="own-lock")
    actions.ask_card(in_work, by=planner, at=at)
    run_errands()
    assert list(JobCard.objects.order_by("number").values_list("number", flat=True)) == [1, 2]


def test_a_worker_that_lost_its_claim_files_no_second_card(
    released: WorkOrder, planner: Person, at: datetime, signing_key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    errand = actions.ask_card(released, by=planner, at=at)
    slow = work.claim(errand.pk)
    assert slow is not None
    filed_before_the_row = filing.file_card

    def overtaken(pdf: bytes) -> str:
        """While the slow worker files, its lease runs out and another does the whole errand."""
        monkeypatch.setattr(filing, "file_card", filed_before_the_row)
        Errand.objects.filter(pk=errand.pk).update(lease_until=at)
        quick = work.claim(errand.pk)
        assert quick is not None
        work.run(quick)
        return filed_before_the_row(pdf)

    monkeypatch.setattr(filing, "file_card", overtaken)
    work.run(slow)
    card = JobCard.objects.get()
    errand.refresh_from_db()
    assert (errand.state, errand.attempts) == (Errand.State.DONE, 2)
    assert errand.outcome["sha256"] == card.sha256
    assert ledger.of_chain("BY").filter(kind="card.filed").count() == 1


def test_a_worker_that_dies_after_filing_leaves_no_row_and_the_next_files_one(
    released: WorkOrder, planner: Person, at: datetime, signing_key: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    errand = actions.ask_card(released, by=planner, at=at)
    held = work.claim(errand.pk)
    assert held is not None

    class Killed(BaseException):
        pass

    def die(*args: Any) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(tasks, "_record", die)
        with pytest.raises(Killed):
            work.run(held)
    assert not JobCard.objects.exists()
    Errand.objects.filter(pk=errand.pk).update(lease_until=at)
    again = work.claim(errand.pk)
    assert again is not None
    work.run(again)
    assert JobCard.objects.count() == 1


def test_two_errands_that_meet_at_one_number_file_two_numbers(
    in_work: WorkOrder, walk: Walk, planner: Person, at: datetime, signing_key: Path,
    monkeypatch: pytest.MonkeyPatch, run_errands: Callable[[], int],
) -> None:  # fmt: skip
    first = actions.ask_card(in_work, by=planner, at=at)
    walk(in_work, until="own-lock")
    second = actions.ask_card(in_work, by=planner, at=at)
    held = work.claim(first.pk)
    assert held is not None
    file_card = filing.file_card

    def overtaken(pdf: bytes) -> str:
        monkeypatch.setattr(filing, "file_card", file_card)
        other = work.claim(second.pk)
        assert other is not None
        work.run(other)
        return file_card(pdf)

    monkeypatch.setattr(filing, "file_card", overtaken)
    work.run(held)
    first.refresh_from_db()
    assert "was filed meanwhile" in first.reason
    Errand.objects.filter(pk=first.pk).update(run_after=at)
    run_errands()
    assert sorted(JobCard.objects.values_list("number", flat=True)) == [1, 2]


def test_without_a_signing_key_the_errand_fails_with_what_to_set(
    released: WorkOrder, planner: Person, at: datetime, settings: Any, tmp_path: Path, run_errands: Callable[[], int]
) -> None:
    settings.SIGNING_P12 = str(tmp_path / "none.p12")
    errand = actions.ask_card(released, by=planner, at=at)
    run_errands()
    errand.refresh_from_db()
    assert errand.state == Errand.State.FAILED
    assert "MIDFLANK_SIGNING_P12" in errand.reason
    assert ledger.of_chain("BY").filter(kind="card.failed").count() == 1


def test_a_failed_card_is_tried_again_when_asked_for_again(
    released: WorkOrder, planner: Person, at: datetime, settings: Any, signing_key: Path, run_errands: Callable[[], int]
) -> None:
    right, settings.SIGNING_P12 = settings.SIGNING_P12, "/nowhere/{shop}.p12"
    actions.ask_card(released, by=planner, at=at)
    run_errands()
    settings.SIGNING_P12 = right
    actions.ask_card(released, by=planner, at=at)
    run_errands()
    assert JobCard.objects.count() == 1


def test_a_seal_that_does_not_hold_is_not_filed(
    released: WorkOrder, planner: Person, at: datetime, signing_key: Path, settings: Any, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch, run_errands: Callable[[], int],
) -> None:  # fmt: skip
    settings.CARD_DIR = tmp_path
    from jobs.signoffs import signing

    seal = signing.seal

    def spoilt(pdf: bytes, *args: Any, **more: Any) -> signing.Seal:
        good = seal(pdf, *args, **more)
        other = bytes([good.pdf[500] ^ 1])  # whatever stands there, this is something else
        return signing.Seal(good.pdf[:500] + other + good.pdf[501:], good.certificate_sha256, good.certificate_subject)

    monkeypatch.setattr(signing, "seal", spoilt)
    actions.ask_card(released, by=planner, at=at)
    run_errands()
    assert not JobCard.objects.exists()
    assert not list(tmp_path.rglob("*.pdf"))


# --- Afterwards -----------------------------------------------------------------------------------------


def test_an_altered_file_is_told(filed: JobCard) -> None:
    path = filing.store().path(filed.sha256)
    path.chmod(0o640)
    path.write_bytes(path.read_bytes() + b"\n")
    assert not verification.check(filed).holds


def test_a_missing_file_is_told(filed: JobCard) -> None:
    filing.store().path(filed.sha256).unlink()
    found = verification.check(filed)
    assert not found.holds
    assert "back-up" in " ".join(found.faults)


def test_a_row_that_names_another_file_is_betrayed_by_the_history(filed: JobCard) -> None:
    JobCard.objects.filter(pk=filed.pk).update(sha256=filing.file_card(b"%PDF another"))
    filed.refresh_from_db()
    assert "The history recorded another SHA-256" in " ".join(verification.check(filed).faults)


def test_a_refused_file_is_called_refused_and_not_a_measurement_without_result(
    past_hold_point: WorkOrder, walk: Walk
) -> None:
    walk(past_hold_point, until="as-found")
    walk.give_result(past_hold_point.steps.get(position=STEP["as-found"]), outcome="refused", verdict="no-result")
    page = page_of(past_hold_point)
    assert "as-found.csv: <b>refused</b>" in page
    assert "<strong>refused</strong>" in page
    assert "<td>as-found.csv</td><td>refused</td>" in page
    assert "no result" not in page


def test_negative_figures_in_sentences_carry_a_true_minus(
    past_hold_point: WorkOrder, technician: Person, walk: Walk, at: datetime
) -> None:
    walk(past_hold_point, until="as-found")
    check = {"name": "knock", "passed": False, "message": "The lift steps by -0.0053 mm at 3.2 s."}
    result = {"verdict": "conforming", "reference_deg": 140.0, "deviation_deg": -0.05, "checks": [check]}
    walk.give_result(past_hold_point.steps.get(position=STEP["as-found"]), deviation_deg=-0.05, result=result)
    orders.raise_finding(past_hold_point, text="The rim was off by -4.9 mm on 2026-07-01.", by=technician, at=at)
    page = page_of(past_hold_point)
    assert "The lift steps by −0.0053 mm at 3.2 s." in page
    assert "The rim was off by −4.9 mm on 2026-07-01." in page
    assert "-0.0053" not in page
    assert "-4.9" not in page


def test_limits_and_typed_values_on_the_card_carry_a_true_minus(all_done: WorkOrder) -> None:
    step = all_done.steps.get(position=STEP["torque"])
    type(step.definition).objects.filter(pk=step.definition_id).update(low="-0.5")
    reading = step.readings.get(point="bolt 2")
    type(reading).objects.filter(pk=reading.pk).update(entered="-90.5", entered_unit="lbf·ft")
    page = page_of(all_done)
    assert "−0.5 to 99 N·m" in page
    assert "(typed as −90.5 lbf·ft)" in page


def test_the_marks_of_a_plot_carry_a_true_minus() -> None:
    data = {"sweeps": [{"direction": "forward", "angle_deg": [-2.0, 1.0], "lift_mm": [0.0, 1.0]}], "crest_deg": -1.25}
    assert "crest −1.250°" in figures.sweep_plot(data, salt="x")
