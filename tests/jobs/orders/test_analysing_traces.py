"""What a worker makes of a trace: one analysis for one input, with everything it stands on."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone

import analysis
from analysis import simulate
from jobs.errands import work
from jobs.errands.models import Errand
from jobs.errors import NotAllowed
from jobs.ledger.models import Entry
from jobs.orders import actions, analysing, queries, storage, tasks
from jobs.orders.models import Analysis, OrderStep, Trace, WorkOrder
from jobs.orders.watching import trace_state
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.cast import STEP
from tests.walking import Walk

TARGET = 140.0


@pytest.fixture(autouse=True)
def _own_store(settings: Any, tmp_path: Any) -> None:
    settings.TRACE_DIR = tmp_path / "traces"
    settings.PHOTO_DIR = tmp_path / "photos"


@pytest.fixture(scope="module")
def recorded() -> Callable[[float], bytes]:
    """A recording whose crest stands so many degrees off the target; made once for each."""
    made: dict[float, bytes] = {}

    def of(deviation: float) -> bytes:
        if deviation not in made:
            made[deviation], _ = simulate.trace(seed=5, crest_deg=TARGET + deviation)
        return made[deviation]

    return of


@pytest.fixture
def hand_in(technician: Person, probe: Instrument, encoder: Instrument, at: datetime) -> Callable[..., Trace]:
    def give(step: OrderStep, content: bytes, *, when: datetime = at) -> Trace:
        file = io.BytesIO(content)
        trace, _ = actions.upload_trace(
            step, file=file, filename="sweep.csv.gz", probe=probe, encoder=encoder, by=technician, at=when
        )
        return trace

    return give


@pytest.fixture
def as_found(walked_to_as_found: WorkOrder) -> OrderStep:
    return walked_to_as_found.steps.select_related("definition").get(position=STEP["as-found"])


@pytest.fixture
def as_left(walked_to_as_left: WorkOrder) -> OrderStep:
    """Reached after as-found 1.000° off and a shift of the ring that takes out 0.980° of it."""
    return walked_to_as_left.steps.select_related("definition").get(position=STEP["as-left"])


HandIn = Callable[..., Trace]
Recorded = Callable[[float], bytes]


def test_a_real_recording_gets_its_verdict_and_everything_it_stands_on(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, run_errands: Callable[[], int]
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    assert trace_state(trace).state == "queued"
    assert run_errands() == 1
    made = Analysis.objects.get()
    assert made.verdict == "nonconforming"
    assert made.deviation_deg is not None
    assert made.expanded_uncertainty_deg is not None
    assert abs(made.deviation_deg - 1.0) <= made.expanded_uncertainty_deg
    assert made.number == 1
    assert made.supersedes is None
    assert made.analysis_version == analysis.__version__
    assert made.result["trace_sha256"] == trace.bytes_id
    assert [one["instrument"] for one in made.calibrations] == ["PR-07", "EN-03"]
    assert made.input_sha256 == analysing.input_of(queries.trace_for(trace.uploaded_by, trace.pk)).sha256
    state = trace_state(trace)
    assert (state.state, state.analysis, state.reason) == ("done", made, "")
    entry = Entry.objects.get(kind="trace.analysed")
    assert "nonconforming, deviation " in entry.sentence
    assert f" {made.deviation_deg:+.3f}° ± {made.expanded_uncertainty_deg:.3f}°" in entry.sentence
    assert entry.actor_name == "Midflank worker"


def test_the_calibration_of_the_probe_that_was_used_counts(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, probe: Instrument
) -> None:
    probe.calibrations.update(standard_uncertainty=0.004)
    trace = hand_in(as_found, recorded(1.0))
    assert analysing.input_of(trace).spec["u_probe_mm"] == 0.004
    before = analysing.input_of(trace).sha256
    counts = {"coefficients": [0.0, 0.001], "origin": 0.0}
    probe.calibrations.update(probe_calibration=counts)
    trace = queries.trace_for(trace.uploaded_by, trace.pk)
    assert analysing.input_of(trace).spec["probe_calibration"] == counts
    assert analysing.input_of(trace).spec["u_probe_mm"] == 0.002
    assert analysing.input_of(trace).sha256 != before


@pytest.mark.parametrize(
    ("content", "line", "column"),
    [
        (b"hello\nworld\n", 1, None),
        (b"time_s,encoder_deg\n0,1\n", 1, "lift_mm"),
        (b"time_s,encoder_deg,lift_mm\n0,1,0.1\n1,2,nan\n", 3, "lift_mm"),
        (b"time_s,encoder_deg,lift_mm\n", None, None),
        ("time_s,encoder_deg,lift_mm\n0,1,\u00e9\n".encode("latin-1"), 2, None),
    ],
)
def test_what_is_no_trace_is_refused_at_its_place_and_nothing_is_lost(
    as_found: OrderStep,
    hand_in: HandIn,
    run_errands: Callable[[], int],
    content: bytes,
    line: int | None,
    column: str | None,
) -> None:
    trace = hand_in(as_found, content)
    run_errands()
    made = Analysis.objects.get()
    assert (made.outcome, made.verdict, made.reference_deg) == ("refused", "no-result", None)
    refused = made.result["refused"]
    if line is not None:
        assert refused["line"] == line
    if column is not None:
        assert refused["column"] == column
    assert len(refused["message"]) > 10
    assert storage.traces().read(trace.bytes_id) == content
    assert Errand.objects.get().state == "done"
    assert Entry.objects.filter(kind="trace.refused").count() == 1
    state = trace_state(trace)
    assert (state.state, state.reason) == ("done", refused["message"])


def test_a_single_sample_is_a_trace_without_a_result(
    as_found: OrderStep, hand_in: HandIn, run_errands: Callable[[], int]
) -> None:
    hand_in(as_found, b"time_s,encoder_deg,lift_mm\n0,1,0.1\n")
    run_errands()
    made = Analysis.objects.get()
    assert (made.verdict, made.reference_deg) == ("no-result", None)
    assert [check["message"] for check in made.result["checks"] if not check["passed"]]


def test_a_gzip_bomb_is_refused_without_harm(
    as_found: OrderStep, hand_in: HandIn, run_errands: Callable[[], int]
) -> None:
    hand_in(as_found, gzip.compress(b"\x00" * 200_000_000, 9))
    run_errands()
    made = Analysis.objects.get()
    assert made.outcome == "refused"
    assert Errand.objects.get().attempts == 1


def test_a_file_that_vanished_from_the_store_fails_at_once_with_a_reason(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, run_errands: Callable[[], int], technician: Person
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    path = storage.traces().path(trace.bytes_id)
    aside = path.rename(path.with_name("aside"))
    run_errands()
    errand = Errand.objects.get()
    assert (errand.state, errand.attempts) == ("failed", 1)
    trace.refresh_from_db()
    assert "missing from the store" in trace.failure
    state = trace_state(trace)
    assert (state.state, state.reason) == ("failed", trace.failure)
    assert Entry.objects.filter(kind="trace.failed").count() == 1
    assert not Analysis.objects.exists()
    # Once the file is back, asking again does it, and the failure is gone.
    aside.rename(path)
    actions.analyse_again(trace, by=technician, at=trace.uploaded_at)
    assert trace_state(trace).state == "queued"
    run_errands()
    trace.refresh_from_db()
    assert (trace.failure, Analysis.objects.count()) == ("", 1)


def test_an_altered_file_is_not_analysed(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, run_errands: Callable[[], int]
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    path = storage.traces().path(trace.bytes_id)
    path.chmod(0o640)
    path.write_bytes(recorded(0.0))
    run_errands()
    trace.refresh_from_db()
    assert "altered in the store" in trace.failure
    assert not Analysis.objects.exists()


def test_the_same_input_is_analysed_once(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, run_errands: Callable[[], int], technician: Person
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    run_errands()
    with pytest.raises(NotAllowed) as refused:
        actions.analyse_again(trace, by=technician, at=trace.uploaded_at)
    assert [reason.code for reason in refused.value.reasons] == ["nothing-new"]
    # Even an errand that is done a second time by mistake has no second effect.
    entries = Entry.objects.count()
    Errand.objects.update(state=Errand.State.QUEUED, attempts=0)
    run_errands()
    assert (Analysis.objects.count(), Entry.objects.count()) == (1, entries)


def test_asking_again_while_it_waits_is_the_same_errand(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, technician: Person
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    errand = actions.analyse_again(trace, by=technician, at=trace.uploaded_at)
    assert errand == Errand.objects.get()


def test_a_new_version_makes_a_new_analysis_that_supersedes_the_old_one(
    as_found: OrderStep,
    hand_in: HandIn,
    recorded: Recorded,
    run_errands: Callable[[], int],
    technician: Person,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    run_errands()
    monkeypatch.setattr(analysis, "__version__", "a later one")
    actions.analyse_again(trace, by=technician, at=trace.uploaded_at)
    run_errands()
    first, second = Analysis.objects.order_by("number")
    assert (second.number, second.supersedes) == (2, first)
    assert second.input_sha256 != first.input_sha256
    assert trace_state(trace).analysis == second


def test_an_errand_asked_of_an_older_version_is_done_by_the_newer_one_once(
    as_found: OrderStep,
    hand_in: HandIn,
    recorded: Recorded,
    run_errands: Callable[[], int],
    monkeypatch: pytest.MonkeyPatch,
    technician: Person,
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    monkeypatch.setattr(analysis, "__version__", "a later one")
    assert actions.analyse_again(trace, by=technician, at=trace.uploaded_at).state == "queued"
    assert run_errands() == 2
    assert Analysis.objects.get().analysis_version == "a later one"


def test_progress_is_shown_while_it_runs(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, monkeypatch: pytest.MonkeyPatch
) -> None:
    trace = hand_in(as_found, recorded(1.0))
    seen = []
    original = analysis.analyse

    def watched(*args: Any, **kwargs: Any) -> Any:
        seen.append(trace_state(trace))
        return original(*args, **kwargs)

    monkeypatch.setattr(analysis, "analyse", watched)
    held = work.claim_next()
    assert held is not None
    work.run(held)
    (state,) = seen
    assert (state.state, state.done, state.total, state.note) == ("running", 1, 3, "analysing")


def test_an_error_in_the_analysis_is_tried_again_and_then_given_up(
    as_found: OrderStep, hand_in: HandIn, recorded: Recorded, monkeypatch: pytest.MonkeyPatch
) -> None:
    trace = hand_in(as_found, recorded(1.0))

    def broken(*args: Any, **kwargs: Any) -> Any:
        raise ZeroDivisionError("no crest")

    monkeypatch.setattr(analysis, "analyse", broken)
    for attempt in (1, 2, 3):
        Errand.objects.update(run_after=trace.uploaded_at)
        held = work.claim_next()
        assert held is not None
        work.run(held)
        assert Errand.objects.get().attempts == attempt
    trace.refresh_from_db()
    assert "Given up after 3 attempts" in trace.failure
    assert trace_state(trace).state == "failed"


def test_a_good_as_left_raises_nothing_and_can_be_confirmed(
    as_left: OrderStep, hand_in: HandIn, recorded: Recorded, run_errands: Callable[[], int], technician: Person
) -> None:
    trace = hand_in(as_left, recorded(0.02))
    run_errands()
    assert Analysis.objects.get(trace=trace).verdict == "conforming"
    assert not as_left.findings.exists()
    actions.confirm_step(as_left, by=technician, at=trace.uploaded_at)


def test_a_ring_that_moved_while_torqued_raises_a_finding_though_it_conforms(
    as_left: OrderStep,
    hand_in: HandIn,
    recorded: Recorded,
    run_errands: Callable[[], int],
    technician: Person,
    inspector: Person,
) -> None:
    trace = hand_in(as_left, recorded(-0.15))
    run_errands()
    assert Analysis.objects.get(trace=trace).verdict == "conforming"
    finding = as_left.findings.get()
    assert (finding.kind, finding.raised_by, finding.decision) == ("agreement", None, "")
    with pytest.raises(NotAllowed):
        actions.confirm_step(as_left, by=technician, at=trace.uploaded_at)
    actions.decide_finding(
        finding, decision="accept", reason="Rim scale was read wrongly.", by=inspector, at=finding.raised_at
    )
    actions.confirm_step(as_left, by=technician, at=finding.raised_at)


def test_a_new_trace_clears_what_the_one_before_raised(
    as_left: OrderStep, hand_in: HandIn, recorded: Recorded, run_errands: Callable[[], int]
) -> None:
    hand_in(as_left, recorded(0.6))
    run_errands()
    assert set(as_left.findings.values_list("kind", flat=True)) == {"verdict", "agreement"}
    hand_in(as_left, recorded(0.02), when=timezone.now())
    run_errands()
    assert set(as_left.findings.values_list("decision", flat=True)) == {"cleared"}


def test_a_second_trace_that_falls_short_again_raises_its_own_finding(
    as_left: OrderStep, hand_in: HandIn, recorded: Recorded, run_errands: Callable[[], int]
) -> None:
    hand_in(as_left, recorded(0.6))
    run_errands()
    hand_in(as_left, recorded(0.61), when=timezone.now())
    run_errands()
    verdicts = as_left.findings.filter(kind="verdict").order_by("number")
    assert [finding.decision for finding in verdicts] == ["cleared", ""]


def analysed_once_more(
    as_found: OrderStep, walk: Walk, *, deviation_deg: float, at: datetime, expanded_deg: float = 0.05
) -> None:
    """A new analysis of the as-found trace says otherwise, and what follows from it follows."""
    trace = as_found.traces.get()
    made = walk.give_result(
        as_found, trace=trace, verdict="nonconforming", deviation_deg=deviation_deg, expanded_deg=expanded_deg
    )
    order = queries.locked_order(trace.work_order_id)
    with transaction.atomic():
        tasks._follow_up(made, order, at=at)


@pytest.mark.usefixtures("walked_to_locks_off")
def test_an_as_found_analysed_again_after_the_as_left_is_held_against_it(
    in_work: WorkOrder, walk: Walk, at: datetime
) -> None:
    steps = in_work.steps.select_related("definition")
    as_found, as_left = steps.get(position=STEP["as-found"]), steps.get(position=STEP["as-left"])
    assert not as_left.findings.exists()
    analysed_once_more(as_found, walk, deviation_deg=1.4, at=at + timedelta(minutes=1))
    finding = as_left.findings.get()
    assert (finding.kind, finding.decision, finding.raised_by) == ("agreement", "", None)
    assert "0.4" in finding.text


@pytest.mark.usefixtures("walked_to_locks_off")
def test_a_disagreement_that_was_accepted_does_not_cover_a_larger_one(
    in_work: WorkOrder, walk: Walk, inspector: Person, at: datetime
) -> None:
    steps = in_work.steps.select_related("definition")
    as_found, as_left = steps.get(position=STEP["as-found"]), steps.get(position=STEP["as-left"])
    analysed_once_more(as_found, walk, deviation_deg=1.4, at=at + timedelta(minutes=1))
    first = as_left.findings.get()
    decided_at = at + timedelta(minutes=2)
    actions.decide_finding(first, decision="accept", reason="Scale misread.", by=inspector, at=decided_at)
    analysed_once_more(as_found, walk, deviation_deg=2.4, at=at + timedelta(minutes=3))
    assert list(as_left.findings.order_by("number").values_list("decision", flat=True)) == ["accept", ""]
    analysed_once_more(as_found, walk, deviation_deg=1.0, at=at + timedelta(minutes=4))
    assert list(as_left.findings.order_by("number").values_list("decision", flat=True)) == ["accept", "cleared"]
