"""Handing in a trace: stored once, at the right step, with instruments in date, and analysed by a worker."""

from __future__ import annotations

import gzip
import io
from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.http import Http404

from jobs.errands.models import Errand
from jobs.errors import BadInput, NotAllowed, Refusal, TooLarge, WrongPerson
from jobs.ledger.models import Entry
from jobs.orders import actions, storage
from jobs.orders.models import OrderStep, Trace, TraceBytes, WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.cast import STEP
from tests.walking import Walk

TEXT = b"time_s,encoder_deg,lift_mm\n0.0,10.0,0.1\n"


@pytest.fixture
def as_found(walked_to_as_found: WorkOrder) -> OrderStep:
    """The as-found trace step, reached."""
    return walked_to_as_found.steps.select_related("definition").get(position=STEP["as-found"])


@pytest.fixture
def hand_in(
    technician: Person, probe: Instrument, encoder: Instrument, at: datetime
) -> Callable[..., tuple[Trace, bool]]:
    def give(step: OrderStep, content: bytes = TEXT, **changed: Any) -> tuple[Trace, bool]:
        facts: dict[str, Any] = {
            "filename": "sweep.csv", "probe": probe, "encoder": encoder, "by": technician, "at": at,
        }  # fmt: skip
        return actions.upload_trace(step, file=io.BytesIO(content), **{**facts, **changed})

    return give


HandIn = Callable[..., tuple[Trace, bool]]


def codes(refused: pytest.ExceptionInfo[Refusal]) -> list[str]:
    return [reason.code for reason in refused.value.reasons]


def stored_files() -> int:
    root = storage.traces().root
    return sum(path.is_file() for path in root.rglob("*")) if root.exists() else 0


@pytest.fixture(autouse=True)
def _own_store(settings: Any, tmp_path: Any) -> None:
    settings.TRACE_DIR = tmp_path / "traces"
    settings.PHOTO_DIR = tmp_path / "photos"


def test_it_is_stored_recorded_and_queued(
    as_found: OrderStep, hand_in: HandIn, technician: Person, probe: Instrument, encoder: Instrument
) -> None:
    trace, is_new = hand_in(as_found)
    assert is_new
    assert storage.traces().read(trace.bytes_id) == TEXT
    assert trace.stage == "as-found"
    assert (trace.probe_calibration, trace.encoder_calibration) == (
        probe.calibrations.get(),
        encoder.calibrations.get(),
    )
    entry = Entry.objects.get(kind="trace.uploaded")
    assert entry.subjects.filter(type="people.person", key=str(technician.pk)).exists()
    assert entry.subjects.filter(type="tooling.instrument").count() == 2
    errand = Errand.objects.get()
    assert (errand.kind, errand.state, errand.asked_by) == ("analyse-trace", "queued", technician.name)
    uses = as_found.instrument_uses.values_list("instrument__asset_number", "due_on")
    assert set(uses) == {("PR-07", date(2066, 1, 10)), ("EN-03", date(2066, 1, 10))}


def test_the_order_counts_the_change(as_found: OrderStep, hand_in: HandIn) -> None:
    before = WorkOrder.objects.get().revision
    hand_in(as_found)
    assert WorkOrder.objects.get().revision > before


def test_the_same_file_at_the_same_step_is_the_trace_that_is_there(as_found: OrderStep, hand_in: HandIn) -> None:
    first, _ = hand_in(as_found)
    entries = Entry.objects.count()
    second, is_new = hand_in(as_found, filename="again.csv")
    assert (second, is_new) == (first, False)
    assert (stored_files(), Errand.objects.count(), Entry.objects.count()) == (1, 1, entries)


def test_the_same_file_at_another_step_is_refused_and_says_where_it_was(
    as_found: OrderStep, hand_in: HandIn, walk: Walk
) -> None:
    hand_in(as_found)
    order = as_found.work_order
    walk.give_result(as_found, verdict="nonconforming", deviation_deg=1.0)
    walk(order, until="as-left")
    as_left = order.steps.get(position=STEP["as-left"])
    with pytest.raises(NotAllowed) as refused:
        hand_in(as_left)
    assert codes(refused) == ["handed-in-before"]
    assert f"{order.number} step {as_found.position}" in str(refused.value)
    trace, is_new = hand_in(as_left, repeated_because="Sensor trial, nothing was moved.")
    assert is_new
    finding = order.findings.get(kind="observation")
    assert "Sensor trial" in finding.text
    assert f"step {as_found.position}" in finding.text
    assert TraceBytes.objects.count() == 3  # two laid down by the walk
    assert trace.stage == "as-left"


def test_of_a_file_in_another_shop_only_the_fact_is_told(
    as_found: OrderStep, hand_in: HandIn, walk: Walk, port_ansel: Any
) -> None:
    trace, _ = hand_in(as_found)
    order = as_found.work_order
    WorkOrder.objects.filter(pk=order.pk).update(shop=port_ansel)
    from jobs.orders.actions.traces import _places

    assert _places(trace.bytes_id, trace.uploaded_by) == ["another shop"]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "empty"),
        (b"\x00" * 2000, "not-a-trace"),
        (b"\x89PNG\r\n\x1a\n" + b"\x00" * 600, "not-a-trace"),
        (b"PK\x03\x04\x14\x00\x08\x00", "not-a-trace"),
        ("\ufefftime_s,encoder_deg".encode("utf-16-le"), "wrong-encoding"),
        ("\ufefftime_s".encode("utf-16-be"), "wrong-encoding"),
    ],
)
def test_what_is_cheap_to_see_is_refused_at_once_and_not_stored(
    as_found: OrderStep, hand_in: HandIn, content: bytes, code: str
) -> None:
    with pytest.raises(BadInput) as refused:
        hand_in(as_found, content)
    assert codes(refused) == [code]
    assert refused.value.reasons[0].field == "file"
    assert (stored_files(), Trace.objects.count(), Errand.objects.count()) == (0, 0, 0)


@pytest.mark.parametrize(
    "content",
    [
        b"%PDF-1.7\n" + b"x" * 600,
        "time_s,encoder_deg,lift_mm\n0,0,\u00e9\n".encode("latin-1"),
        gzip.compress(b"\x00" * 10_000, mtime=0),
        b"\xef\xbb\xbf" + TEXT,
        b"PAR1" + b"\x00" * 100,
    ],
)
def test_anything_subtler_is_kept_for_the_analysis_to_refuse(
    as_found: OrderStep, hand_in: HandIn, content: bytes
) -> None:
    trace, _ = hand_in(as_found, content)
    assert storage.traces().read(trace.bytes_id) == content


def test_a_file_over_the_limit_is_refused_and_not_stored(as_found: OrderStep, hand_in: HandIn, settings: Any) -> None:
    settings.TRACE_MAX_BYTES = 1000
    with pytest.raises(TooLarge):
        hand_in(as_found, b"0," * 501)
    assert stored_files() == 0


def test_an_overdue_probe_is_refused_by_name(
    as_found: OrderStep, hand_in: HandIn, calibrated: Callable[..., Instrument], at: datetime
) -> None:
    overdue = calibrated("PR-11", "probe", valid_until=at.date() - timedelta(days=1))
    with pytest.raises(NotAllowed) as refused:
        hand_in(as_found, probe=overdue)
    (reason,) = refused.value.reasons
    assert (reason.code, reason.field) == ("overdue", "probe")
    assert "PR-11" in reason.sentence
    assert not Trace.objects.exists()


def test_probe_and_encoder_mixed_up_are_both_told(
    as_found: OrderStep, hand_in: HandIn, probe: Instrument, encoder: Instrument
) -> None:
    with pytest.raises(NotAllowed) as refused:
        hand_in(as_found, probe=encoder, encoder=probe)
    assert [(reason.code, reason.field) for reason in refused.value.reasons] == [
        ("other-kind", "probe"),
        ("other-kind", "encoder"),
    ]


def test_an_instrument_is_locked_while_it_is_used(as_found: OrderStep, hand_in: HandIn, probe: Instrument) -> None:
    probe.state = Instrument.State.WITHDRAWN  # by somebody else, after the page was drawn
    probe.save(update_fields=["state"])
    probe.state = Instrument.State.IN_SERVICE
    with pytest.raises(NotAllowed) as refused:
        hand_in(as_found, probe=probe)
    assert codes(refused) == ["withdrawn"]


def test_a_step_that_is_not_reached_takes_no_trace(in_work: WorkOrder, hand_in: HandIn) -> None:
    step = in_work.steps.get(position=STEP["as-found"])
    with pytest.raises(NotAllowed) as refused:
        hand_in(step)
    assert set(codes(refused)) == {"earlier-step", "caution"}


@pytest.mark.usefixtures("walked_to_own_lock")
def test_a_step_of_another_kind_takes_no_trace(in_work: WorkOrder, hand_in: HandIn) -> None:
    with pytest.raises(NotAllowed) as refused:
        hand_in(in_work.steps.get(position=STEP["own-lock"]))
    assert codes(refused) == ["wrong-kind"]


def test_a_planner_hands_in_nothing(as_found: OrderStep, hand_in: HandIn, planner: Person) -> None:
    with pytest.raises(WrongPerson):
        hand_in(as_found, by=planner)
    assert stored_files() == 0


def test_to_another_shop_the_step_does_not_exist(as_found: OrderStep, hand_in: HandIn, stranger: Person) -> None:
    with pytest.raises(Http404):
        hand_in(as_found, by=stranger)
    assert not Trace.objects.exists()


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\traces\\a b.csv", "a b.csv"),
        ("a\x00b\n.csv", "ab.csv"),
        ("", "trace"),
        ("x" * 300 + ".csv", "x" * 196 + ".csv"),
    ],
)
def test_a_file_name_is_only_a_name(as_found: OrderStep, hand_in: HandIn, given: str, kept: str) -> None:
    trace, _ = hand_in(as_found, filename=given)
    trace.refresh_from_db()
    assert trace.filename == kept
