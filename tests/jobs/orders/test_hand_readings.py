"""Readings by hand: typed on one page, stored once like a trace, analysed by the same errand."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Sequence
from datetime import datetime
from html import unescape
from typing import Any

import pytest
import rfc8785
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

import analysis
from jobs.errands.models import Errand
from jobs.errors import BadInput, NotAllowed, Refusal, WrongPerson
from jobs.ledger.models import Entry
from jobs.orders import actions, content, facts, quantities, storage
from jobs.orders.hand import readings_of
from jobs.orders.models import Analysis, OrderStep, Trace, WorkOrder
from jobs.orders.rules.hand import HandFacts, Pair, why_doubt, why_not_hand
from jobs.people.models import Person
from jobs.tooling.models import Instrument
from tests.cast import SPEC, STEP
from tests.walking import Walk

Login = Callable[[Person], Client]
HandIn = Callable[..., tuple[Trace, bool]]
# The crest stands 1.00° past the target of 140.0°, the senses 0.2° apart.
PAIRS = [
    ("forward", "4,00", "119,1", "163,1"), ("forward", "6.00", "123.8", "158.4"), ("forward", "8", "128.7", "153.5"),
    ("reverse", "4", "162.9", "118.9"), ("reverse", "6", "158.2", "123.6"), ("reverse", "8", "153.3", "128.5"),
]  # fmt: skip


@pytest.fixture(autouse=True)
def _own_store(settings: Any, tmp_path: Any) -> None:
    settings.TRACE_DIR = tmp_path / "traces"


@pytest.fixture
def as_found(walked_to_as_found: WorkOrder) -> OrderStep:
    return walked_to_as_found.steps.select_related("definition", "work_order").get(position=STEP["as-found"])


@pytest.fixture
def hand_in(technician: Person, probe: Instrument, at: datetime) -> HandIn:
    def give(step: OrderStep, pairs: Sequence[tuple[str, ...]] = PAIRS, **changed: Any) -> tuple[Trace, bool]:
        sheet = {"dial_unit": "mm", "angle_step": "0,1"}
        sheet |= {name: changed.pop(name) for name in ("dial_unit", "angle_step", "crest_dial") if name in changed}
        typed = actions.Typed([actions.TypedPair(*pair) for pair in pairs], **sheet)
        named: dict[str, Any] = {"probe": probe, "by": technician, "at": at}
        return actions.hand_in_readings(step, typed=typed, **{**named, **changed})

    return give


def places(refused: pytest.ExceptionInfo[Refusal]) -> list[tuple[str, str]]:
    return [(reason.code, reason.field) for reason in refused.value.reasons]


def test_they_are_stored_as_canonical_json_under_their_sha256_with_what_was_typed(
    as_found: OrderStep, hand_in: HandIn
) -> None:
    trace, is_new = hand_in(as_found)
    assert is_new
    data = storage.traces().read(trace.bytes_id)
    document = json.loads(data)
    assert rfc8785.dumps(document) == data
    assert hashlib.sha256(data).hexdigest() == trace.bytes_id
    assert document["pairs"][0] == {
        "sense": "forward", "dial_mm": 4.0, "before_deg": 119.1, "after_deg": 163.1,
        "typed": {"dial": "4,00", "before": "119,1", "after": "163,1"},
    }  # fmt: skip
    assert (trace.form, trace.encoder, trace.encoder_calibration) == ("hand-readings", None, None)
    assert as_found.instrument_uses.get().instrument.asset_number == "PR-07"
    entry = Entry.objects.get(kind="trace.uploaded")
    assert "as-found hand readings as-found-hand-readings.json" in entry.sentence
    assert "were handed in" in entry.sentence


def test_the_worker_analyses_them_as_it_does_a_trace(
    as_found: OrderStep, hand_in: HandIn, run_errands: Callable[[], int], technician: Person, at: datetime
) -> None:
    trace, _ = hand_in(as_found)
    assert Errand.objects.get().kind == "analyse-trace"
    assert run_errands() == 1
    made = Analysis.objects.get()
    assert made.verdict == "nonconforming"
    assert made.deviation_deg == pytest.approx(1.0, abs=0.01)
    assert made.hysteresis_deg == pytest.approx(0.2, abs=0.01)
    assert made.result == json.loads(json.dumps(analysis.analyse_hand(storage.traces().read(trace.bytes_id), SPEC)))
    assert [one["instrument"] for one in made.calibrations] == ["PR-07"]
    assert facts.as_found_verdict(as_found.work_order) == "nonconforming"
    actions.confirm_step(as_found, by=technician, at=at)
    as_found.refresh_from_db()
    assert as_found.state == OrderStep.State.DONE


def test_what_sign_offs_cover_names_them_and_a_recording_stays_as_it_was(
    as_found: OrderStep, hand_in: HandIn, walk: Walk
) -> None:
    trace, _ = hand_in(as_found)
    walk.give_trace(as_found)
    steps = content.order_content(as_found.work_order)["steps"]
    traces = steps[STEP["as-found"] - 1]["traces"]
    by_hand = next(one for one in traces if one["sha256"] == trace.bytes_id)
    recorded = next(one for one in traces if one["sha256"] != trace.bytes_id)
    assert by_hand["form"] == "hand-readings"
    assert "encoder" not in by_hand
    assert set(recorded) == {
        "id", "stage", "sha256", "filename", "probe", "probe_calibration", "probe_due_on", "encoder",
        "encoder_calibration", "encoder_due_on", "uploaded_by", "uploaded_at", "analyses",
    }  # fmt: skip


def test_the_same_readings_at_the_step_again_are_those_that_are_there(as_found: OrderStep, hand_in: HandIn) -> None:
    first, _ = hand_in(as_found)
    assert hand_in(as_found) == (first, False)
    assert Errand.objects.count() == 1


def test_the_same_figures_at_another_step_are_readings_of_their_own(
    as_found: OrderStep, hand_in: HandIn, walk: Walk
) -> None:
    first, _ = hand_in(as_found)
    walk.give_result(as_found, verdict="nonconforming", deviation_deg=1.0)
    order = walk(as_found.work_order, until="as-left")
    as_left = order.steps.select_related("definition").get(position=STEP["as-left"])
    second, is_new = hand_in(as_left)
    assert is_new
    assert first.bytes_id != second.bytes_id
    named = json.loads(storage.traces().read(second.bytes_id))
    assert (named["work_order"], named["step"]) == (order.number, STEP["as-left"])


@pytest.mark.parametrize(
    ("pairs", "sheet", "wanted"),
    [
        ([], {}, [("no-pairs", "pairs")]),
        (PAIRS[:1], {}, [("too-few", "pairs")]),
        ([*PAIRS, ("forward", "", "1", "")], {}, [("missing", "pairs.6.dial"), ("missing", "pairs.6.after")]),
        ([*PAIRS[:5], ("reverse", "8", "1x", "1.000,5")], {},
         [("not-a-number", "pairs.5.before"), ("not-a-number", "pairs.5.after")]),
        ([*PAIRS[:5], ("reverse", "8", "128.5", "153.3")], {}, [("against-sense", "pairs.5.after")]),
        ([*PAIRS[:5], ("reverse", "8", "1533", "1285")], {},
         [("off-the-scale", "pairs.5.before"), ("off-the-scale", "pairs.5.after")]),
        (PAIRS, {"angle_step": ""}, [("missing", "angle_step")]),
        (PAIRS, {"angle_step": "0"}, [("division", "angle_step")]),
        (PAIRS, {"dial_unit": "cubit"}, [("unit", "dial_unit")] * 6),
        (PAIRS, {"crest_dial": "8"}, [("above-crest", "pairs.2.dial"), ("above-crest", "pairs.5.dial")]),
    ],
)  # fmt: skip
def test_what_is_no_set_of_readings_is_refused_at_its_place_and_nothing_is_stored(
    as_found: OrderStep, hand_in: HandIn, pairs: list[tuple[str, ...]], sheet: dict[str, str], wanted: Any
) -> None:
    with pytest.raises(BadInput) as refused:
        hand_in(as_found, pairs, **sheet)
    assert places(refused) == wanted
    assert not Trace.objects.exists()
    assert not storage.traces().root.exists()


def test_a_datum_that_is_not_symmetric_needs_the_dial_at_the_crest(as_found: OrderStep, hand_in: HandIn) -> None:
    piston = {"kind": "piston", "crank_radius_mm": 130.0, "rod_length_mm": 520.0, "pin_offset_mm": 2.0}
    as_found.work_order.spec = {**SPEC, "datum": piston, "crank_per_datum": 1}
    with pytest.raises(BadInput) as refused:
        hand_in(as_found)
    assert places(refused) == [("no-crest", "crest_dial")]


@pytest.mark.parametrize(
    ("pairs", "sheet", "wanted"),
    [
        ([*PAIRS[:5], ("reverse", "18", "153.3", "128.5")], {}, [("out-of-range", "pairs.5.dial")]),
        (PAIRS, {"dial_unit": "inch"}, [("unit-suspicion", f"pairs.{row}.dial") for row in range(6)]),
        ([*PAIRS[:2], ("forward", "8", "138.7", "153.5"), *PAIRS[3:]], {}, [("apart", "pairs.2.after")]),
        ([(s, d, f"{float(b.replace(',', '.')) + 180:.1f}", f"{float(a.replace(',', '.')) + 180:.1f}")
          for s, d, b, a in PAIRS], {}, [("astray", "pairs")]),
    ],
)  # fmt: skip
def test_what_looks_misread_is_asked_about_and_taken_when_confirmed(
    as_found: OrderStep, hand_in: HandIn, pairs: list[tuple[str, ...]], sheet: dict[str, str], wanted: Any
) -> None:
    with pytest.raises(BadInput) as refused:
        hand_in(as_found, pairs, **sheet)
    assert places(refused) == wanted
    trace, _ = hand_in(as_found, pairs, **sheet, confirmed=True)
    entry = Entry.objects.get(kind="hand-readings.confirmed")
    assert refused.value.reasons[0].sentence in entry.sentence
    assert entry.subjects.filter(type="orders.trace", key=str(trace.pk)).exists()


def test_inches_are_stored_as_millimetres(as_found: OrderStep, hand_in: HandIn) -> None:
    inches = [(s, f"{float(d.replace(',', '.')) / 25.4:.3f}", b, a) for s, d, b, a in PAIRS]
    trace, _ = hand_in(as_found, inches, dial_unit="inch")
    document = json.loads(storage.traces().read(trace.bytes_id))
    assert document["pairs"][0]["dial_mm"] == pytest.approx(0.157 * 25.4, abs=1e-9)
    assert document["typed"]["dial_unit"] == "inch"


def test_nobody_takes_them_for_the_auditor_or_at_a_step_not_reached(
    in_work: WorkOrder, hand_in: HandIn, auditor: Person
) -> None:
    step = in_work.steps.select_related("definition", "work_order").get(position=STEP["as-found"])
    with pytest.raises(WrongPerson):
        hand_in(step, by=auditor)
    with pytest.raises(NotAllowed) as refused:
        hand_in(step)
    assert {code for code, _ in places(refused)} == {"earlier-step", "caution"}


def test_a_recording_without_an_encoder_cannot_be_kept(as_found: OrderStep, walk: Walk) -> None:
    trace = walk.give_trace(as_found)
    trace.encoder = None
    with pytest.raises((IntegrityError, ValidationError)), transaction.atomic():
        trace.save()


@given(st.integers(0, 719), st.integers(3, 400), st.sampled_from(["forward", "reverse"]), st.integers(0, 200))
def test_a_rule_never_refuses_a_pair_that_passes_the_crest_in_its_sense(
    before: int, width: int, sense: str, tenths: int
) -> None:
    """On a scale that starts again at 360, whatever its zero."""
    width = min(width, 179)
    after = (before + width * (1 if sense == "forward" else -1)) % 360
    pair = Pair(sense, quantities.parse(f"{tenths / 10}"), quantities.parse(f"{before % 360}"),
                quantities.parse(f"{after}"))  # fmt: skip
    facts = HandFacts([pair, pair], quantities.parse("1"), None, ["1", "1"], "mm", Instrument(), SPEC)
    assert why_not_hand(facts) == []
    assert "apart" not in [reason.code for reason in why_doubt(facts)]


# --- The page -----------------------------------------------------------------------------------------


def sheet_of(probe: Instrument, pairs: Sequence[tuple[str, ...]] = PAIRS, **more: str) -> dict[str, Any]:
    rows: dict[str, Any] = {"rows": "3", "probe": probe.pk, "dial_unit": "mm", "angle_step": "0,1"}
    counts = {"forward": 0, "reverse": 0}
    for sense, dial, before, after in pairs:
        number = counts[sense]
        counts[sense] += 1
        rows |= {f"{sense}-{number}-dial": dial, f"{sense}-{number}-before": before, f"{sense}-{number}-after": after}
    return {**rows, **more}


def address(step: OrderStep) -> str:
    return f"/orders/{step.work_order_id}/steps/{step.position}/hand/"


def test_the_step_leads_to_the_sheet_and_the_sheet_to_the_verdict(
    login: Login, technician: Person, as_found: OrderStep, probe: Instrument, run_errands: Callable[[], int]
) -> None:
    client = login(technician)
    assert f'href="{address(as_found)}"' in client.get(address(as_found).removesuffix("hand/")).text
    page = client.get(address(as_found)).text
    assert "Clockwise seen from the driving end" in page
    assert page.count('class="unit in-mm"') == 7
    answer = client.post(address(as_found), sheet_of(probe))
    assert answer.status_code == 303
    run_errands()
    page = client.get(answer["Location"]).text
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    for words in (
        "Verdict: nonconforming", "hand readings of unit 7012 say", "TDC on the pointer", "scatter of the pairs",
        "none, the pointer was read by hand", "was read to 0.10°", "Correction to make",
    ):  # fmt: skip
        assert words in text, words
    plot = client.get(f"{answer['Location']}plot.json").json()
    assert {sweep["direction"] for sweep in plot["sweeps"]} == {"forward", "reverse"}
    step = client.get(address(as_found).removesuffix("hand/")).text
    assert "Hand readings that count" in step
    assert "without an encoder" in step


def test_what_was_typed_stays_when_it_is_refused_and_stands_at_its_row(
    login: Login, technician: Person, as_found: OrderStep, probe: Instrument
) -> None:
    pairs = [*PAIRS[:4], ("reverse", "6,0O", "158.2", "123.6"), PAIRS[5]]
    answer = login(technician).post(address(as_found), sheet_of(probe, pairs))
    assert answer.status_code == 422
    page = unescape(answer.text)
    for value in ("4,00", "119,1", "6,0O", "128.5", "0,1"):
        assert f'value="{value}"' in page
    assert 'id="id_reverse-1-dial_error"' in page
    assert "“6,0O” is not a number" in page
    assert not Trace.objects.exists()


def test_more_rows_keep_what_was_typed_and_take_nothing(
    login: Login, technician: Person, as_found: OrderStep, probe: Instrument
) -> None:
    answer = login(technician).post(address(as_found), {**sheet_of(probe, angle_step=""), "more": "yes"})
    assert answer.status_code == 200
    assert 'value="119,1"' in answer.text
    assert 'name="forward-4-dial"' in answer.text
    assert "Not accepted" not in answer.text
    assert not Trace.objects.exists()


def test_a_doubt_is_asked_about_on_the_page_and_answered_with_a_tick(
    login: Login, technician: Person, as_found: OrderStep, probe: Instrument
) -> None:
    client = login(technician)
    odd = [*PAIRS[:2], ("forward", "8", "138.7", "153.5"), *PAIRS[3:]]
    answer = client.post(address(as_found), sheet_of(probe, odd))
    assert answer.status_code == 422
    assert 'name="confirmed"' in answer.text
    assert answer.context["form"].errors["forward-2-after"]
    assert client.post(address(as_found), sheet_of(probe, odd, confirmed="on")).status_code == 303


def test_other_steps_and_other_shops_have_no_sheet(
    login: Login, technician: Person, stranger: Person, as_found: OrderStep
) -> None:
    order = as_found.work_order_id
    assert login(technician).get(f"/orders/{order}/steps/{STEP['torque']}/hand/").status_code == 404
    assert login(stranger).get(address(as_found)).status_code == 404


def test_a_document_that_is_lost_is_told_on_its_page(
    login: Login, technician: Person, as_found: OrderStep, hand_in: HandIn, run_errands: Callable[[], int]
) -> None:
    trace, _ = hand_in(as_found)
    run_errands()
    storage.traces().path(trace.bytes_id).unlink()
    assert readings_of(trace) is None
    assert "does not bear out" in login(technician).get(f"/traces/{trace.pk}/").text
