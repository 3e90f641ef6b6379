"""One trace on the screen: its verdict with all it stands on, or how far the analysis is, or why there is none."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from jobs.orders import storage
from jobs.orders.models import Analysis, OrderStep, Trace, WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.cast import STEP

pytestmark = pytest.mark.django_db
Login = Callable[[Person], Client]
SAMPLES = Path(__file__).parents[2] / "data" / "samples"


@pytest.fixture
def at_as_found(walked_to_as_found: WorkOrder) -> OrderStep:
    return walked_to_as_found.steps.get(position=STEP["as-found"])


@pytest.fixture
def hand_in(
    login: Login, technician: Person, at_as_found: OrderStep, probe: Instrument, encoder: Instrument
) -> Callable[..., Trace]:
    """`hand_in(content, name)`: upload a trace on the page; with `spec` the order asks for that first."""

    def make(content: bytes, name: str = "sweep.csv", *, spec: dict[str, Any] | None = None) -> Trace:
        order = at_as_found.work_order
        if spec is not None:
            order.spec = spec
            order.save(update_fields=["spec"])
        file = SimpleUploadedFile(name, content)
        form = {"act": "trace", "probe": probe.pk, "encoder": encoder.pk, "file": file}
        path = f"/orders/{order.pk}/steps/{at_as_found.position}/"
        assert login(technician).post(path, form).status_code == 303
        return Trace.objects.get()

    return make


@pytest.fixture
def analysed(hand_in: Any, run_errands: Callable[[], int]) -> Trace:
    """A clean sample, handed in and analysed by a worker."""
    spec = json.loads((SAMPLES / "clean-1.spec.json").read_text())
    trace: Trace = hand_in((SAMPLES / "clean-1.csv.gz").read_bytes(), "clean-1.csv.gz", spec=spec)
    run_errands()
    return trace


def test_the_page_states_what_the_worker_found_with_units(
    login: Login, technician: Person, analysed: Trace
) -> None:
    page = login(technician).get(f"/traces/{analysed.pk}/").text
    analysis = Analysis.objects.get()
    assert f"Verdict: {analysis.get_verdict_display()}" in page
    assert analysis.reference_deg is not None
    assert f"{analysis.reference_deg:.3f}°".replace("-", "−") in page
    assert analysed.bytes_id in page
    for word in ("Checks", "Uncertainty budget", "PR-07", "EN-03", "crank degrees", "hx-get"):
        assert word in page


def test_every_check_and_every_source_of_the_budget_is_listed(
    login: Login, technician: Person, analysed: Trace
) -> None:
    page = login(technician).get(f"/traces/{analysed.pk}/").text
    result = Analysis.objects.get().result
    assert result["checks"]
    assert result["budget"]
    for check in result["checks"]:
        assert f'<td data-label="Check">{check["name"]}</td>' in page
    for line in result["budget"]:
        assert line["source"].split("&")[0].split("'")[0] in page


def test_a_nonconforming_verdict_states_the_correction_in_words(
    login: Login, technician: Person, at_as_found: OrderStep, walk: Any
) -> None:
    analysis = walk.give_result(at_as_found, verdict="nonconforming", deviation_deg=1.0, trace=None)
    again = Analysis(
        trace=analysis.trace, number=2, outcome="result", verdict="nonconforming", reference_deg=141.0,
        deviation_deg=1.0, expanded_uncertainty_deg=0.05, spec=analysis.spec, spec_sha256="0" * 64, calibrations={},
        analysis_version="test", input_sha256="1" * 64, made_at=analysis.made_at, supersedes=analysis,
        result={
            **analysis.result, "checks": [], "budget": [], "sweeps": [],
            "correction": {"ring_shift_deg": -1.0, "ring_shift_mm": -4.3633, "sense": "retard"},
        },
    )  # fmt: skip
    again.save()
    page = re.sub(r"<[^>]+>", "", login(technician).get(f"/traces/{analysis.trace_id}/").text)
    wanted = (
        "shift the index ring by 4.36 mm along its rim (1.000° of the ring), against normal rotation "
        "(anticlockwise seen from the driving end)"
    )
    assert wanted in re.sub(r"\s+", " ", page)
    assert "Earlier analyses of this trace" in page


def test_the_plot_gets_its_series_and_a_window_of_them(login: Login, technician: Person, analysed: Trace) -> None:
    client = login(technician)
    whole = client.get(f"/traces/{analysed.pk}/plot.json").json()
    assert {sweep["direction"] for sweep in whole["sweeps"]} == {"forward", "reverse"}
    assert whole["reference_deg"] == pytest.approx(Analysis.objects.get().reference_deg)
    crest = whole["crest_deg"]
    part = client.get(f"/traces/{analysed.pk}/plot.json?from={crest - 5}&to={crest + 5}").json()
    angles = [angle for sweep in part["sweeps"] for angle in sweep["angle_deg"]]
    assert angles
    assert all(crest - 5 <= angle <= crest + 5 for angle in angles)


@pytest.mark.parametrize("query", ["from=x&to=1", "from=5&to=1", "from=nan&to=1", "from=1"])
def test_a_window_that_makes_no_sense_gives_the_whole(
    login: Login, technician: Person, analysed: Trace, query: str
) -> None:
    client = login(technician)
    whole = client.get(f"/traces/{analysed.pk}/plot.json").json()
    assert client.get(f"/traces/{analysed.pk}/plot.json?{query}").json() == whole


def test_the_file_comes_back_as_it_was_handed_in(login: Login, technician: Person, analysed: Trace) -> None:
    answer: Any = login(technician).get(f"/traces/{analysed.pk}/file")
    assert b"".join(answer.streaming_content) == (SAMPLES / "clean-1.csv.gz").read_bytes()
    assert "attachment" in answer["Content-Disposition"]
    assert answer["Content-Type"] == "application/octet-stream"


def test_a_verdict_is_confirmed_where_it_was_read(
    login: Login, technician: Person, inspector: Person, analysed: Trace
) -> None:
    client = login(technician)
    page = client.get(f"/traces/{analysed.pk}/").text
    assert "I have read the verdict" in page
    path = f"/orders/{analysed.work_order_id}/steps/{analysed.step.position}/"
    assert f'action="{path}"' in page
    client.post(path, {"act": "confirm"})
    assert "I have read the verdict" not in client.get(f"/traces/{analysed.pk}/").text


def test_a_refused_file_says_where_it_is_wrong(
    login: Login, technician: Person, hand_in: Any, run_errands: Callable[[], int]
) -> None:
    trace = hand_in(b"time_s,encoder_deg,lift_mm\n0.0,1.0,0.1\n0.1,1.1,oops\n")
    run_errands()
    page = login(technician).get(f"/traces/{trace.pk}/").text
    assert "Refused" in page
    assert "lift_mm" in page
    assert login(technician).get(f"/traces/{trace.pk}/plot.json").status_code == 404


def test_what_gives_no_verdict_leads_to_another_trace_and_not_to_reading_one(
    login: Login, technician: Person, hand_in: Any, at_as_found: OrderStep, run_errands: Callable[[], int]
) -> None:
    found = hand_in(b"time_s,encoder_deg,lift_mm\n0,0,0\n0.1,1,NaN\n")
    run_errands()
    step = f"/orders/{at_as_found.work_order_id}/steps/{at_as_found.position}/"
    client = login(technician)
    page = client.get(f"/traces/{found.pk}/").text
    assert "I have read the verdict" not in page
    assert f'<a class="main button" href="{step}#another">Hand in another trace</a>' in page
    page = client.get(step).text
    assert '<button class="main" form="another">Hand in another trace</button>' in page
    assert "<details open><summary>Hand in another trace" in page


def test_a_trace_that_waits_shows_it_and_is_looked_at_again_without_script(
    login: Login, technician: Person, hand_in: Any
) -> None:
    trace = hand_in(b"time_s,encoder_deg,lift_mm\n0.0,1.0,0.1\n")
    page = login(technician).get(f"/traces/{trace.pk}/").text
    assert "queued" in page
    # Without it the errand's block inherits hx-select and swaps itself for nothing after its first look.
    assert re.search(r'<div id="result"[^>]* hx-disinherit="\*"', page)
    assert '<noscript><meta http-equiv="refresh"' in page
    assert 'role="status"' in page


def test_a_lost_file_is_told_and_not_hidden(
    login: Login, technician: Person, analysed: Trace, settings: Any
) -> None:
    settings.TRACE_DIR = Path(settings.TRACE_DIR) / "elsewhere"
    client = login(technician)
    for path in ("file", "plot.json"):
        answer = client.get(f"/traces/{analysed.pk}/{path}")
        assert answer.status_code == 409
        assert "missing from the store" in answer.text


def test_another_shops_trace_is_not_found(login: Login, stranger: Person, analysed: Trace) -> None:
    client = login(stranger)
    for path in ("", "file", "plot.json"):
        assert client.get(f"/traces/{analysed.pk}/{path}").status_code == 404
    assert client.post(f"/traces/{analysed.pk}/analyse/").status_code == 404


def test_an_analysis_that_would_be_the_same_is_not_asked_again(
    login: Login, technician: Person, analysed: Trace
) -> None:
    answer = login(technician).post(f"/traces/{analysed.pk}/analyse/")
    assert answer.status_code == 409
    assert Analysis.objects.count() == 1


def test_a_lost_recording_is_told_where_its_verdict_stands(
    login: Login, technician: Person, analysed: Trace
) -> None:
    address = reverse("trace", args=[analysed.pk])
    assert "does not bear out" not in login(technician).get(address).text
    storage.traces().path(analysed.bytes_id).unlink()
    assert "does not bear out" in login(technician).get(address).text


# --- No worker could do it ----------------------------------------------------------------------------


@pytest.fixture
def given_up(hand_in: Any, run_errands: Callable[[], int]) -> Trace:
    """A trace whose bytes were lost before any worker looked: its errand has failed for good."""
    trace: Trace = hand_in(b"time_s,encoder_deg,lift_mm\n0.0,1.0,0.1\n")
    storage.traces().path(trace.bytes_id).unlink()
    assert run_errands() == 1
    return trace


def test_an_analysis_that_failed_says_why_and_what_to_do(login: Login, technician: Person, given_up: Trace) -> None:
    step = reverse("step", args=[given_up.work_order_id, given_up.step.position])
    for address, part in ((reverse("trace", args=[given_up.pk]), 'form="ask"'), (step, 'form="main"')):
        page = login(technician).get(address).text
        assert "Analysis of the trace: failed." in page
        assert "missing from the store" in page
        assert "It failed at" in page
        assert "The trace stays on record." in page
        assert "The file is kept" not in page  # it is not: its loss is what the analysis failed of
        assert "If it fails once more, tell the administrator the reason and the time above" in page
        assert f'<button class="main" {part}>Ask for the analysis again</button>' in page
        assert f'action="{reverse("trace-analyse", args=[given_up.pk])}"' in page
        assert "not analysed" in page or address == step
    page = login(technician).get(reverse("trace", args=[given_up.pk])).text
    assert "Until it is restored from a back-up no analysis of it can succeed." in page
    assert "The figures below" not in page


def test_while_it_is_tried_again_nobody_is_asked_to_ask(login: Login, technician: Person, given_up: Trace) -> None:
    client = login(technician)
    address = reverse("trace", args=[given_up.pk])
    assert client.post(reverse("trace-analyse", args=[given_up.pk]))["Location"] == address
    page = client.get(address).text
    assert "Analysis of the trace: queued." in page
    assert "Ask for the analysis" not in page


def test_whoever_may_not_ask_is_told_who_may(login: Login, auditor: Person, given_up: Trace) -> None:
    page = login(auditor).get(reverse("trace", args=[given_up.pk])).text
    assert "A technician or an inspector can ask for the analysis again." in page
    assert 'id="ask"' not in page
    assert "hand in another trace" not in page


def test_a_refused_file_is_not_called_a_measurement_without_result(
    login: Login, technician: Person, hand_in: Any, run_errands: Callable[[], int]
) -> None:
    trace = hand_in(b"time_s,encoder_deg,lift_mm\n0.0,1.0,0.1\n0.1,-1.1,oops\n")
    run_errands()
    page = login(technician).get(reverse("engine", args=[trace.work_order.engine_id])).text
    assert "<strong>refused</strong>" in page
    assert "the file was refused" in page
    assert "no result" not in page


@pytest.mark.parametrize("whose", ["student", "mixture"])
def test_it_is_said_where_the_coverage_factor_is_not_students(
    login: Login, technician: Person, at_as_found: OrderStep, walk: Any, whose: str
) -> None:
    analysis = walk.give_result(at_as_found, verdict="conforming", deviation_deg=0.0, trace=None)
    result = {**analysis.result, "checks": [], "budget": [], "sweeps": [], "coverage_factor": 1.71,
              "findings": {"coverage_from": whose}}  # fmt: skip
    Analysis(
        trace=analysis.trace, number=2, outcome="result", verdict="conforming", reference_deg=140.0, deviation_deg=0.0,
        expanded_uncertainty_deg=0.05, spec=analysis.spec, spec_sha256="0" * 64, calibrations={},
        analysis_version="test", input_sha256="1" * 64, made_at=analysis.made_at, supersedes=analysis, result=result,
    ).save()  # fmt: skip
    page = login(technician).get(reverse("trace", args=[analysis.trace_id])).text
    assert "(k = 1.71)" in page
    assert ("k is of the distribution" in page) is (whose == "mixture")


def test_sentences_of_the_analysis_show_a_true_minus(
    login: Login, technician: Person, at_as_found: OrderStep, walk: Any
) -> None:
    analysis = walk.give_result(at_as_found, verdict="no-result", deviation_deg=None, trace=None)
    check = {"name": "probe knock", "passed": False, "value": -0.0053, "limit": 0.0, "unit": "mm",
             "message": "The lift steps by -0.0053 mm at 3.2 s: the probe was knocked."}  # fmt: skip
    Analysis(
        trace=analysis.trace, number=2, outcome="result", verdict="no-result", spec=analysis.spec,
        spec_sha256="0" * 64, calibrations={}, analysis_version="test", input_sha256="1" * 64,
        made_at=analysis.made_at, supersedes=analysis,
        result={**analysis.result, "checks": [check], "budget": [], "sweeps": []},
    ).save()  # fmt: skip
    page = login(technician).get(reverse("trace", args=[analysis.trace_id])).text
    assert "The lift steps by −0.0053 mm at 3.2 s" in page
    assert "-0.0053" not in page
