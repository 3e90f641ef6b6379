"""A later change voids what was signed, visibly; a change behind the back of the actions shows as well."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime

import pytest
from django.db import connection

from jobs.errors import NotAllowed
from jobs.ledger import queries as ledger
from jobs.ledger.actions import System
from jobs.ledger.triggers import create_sql, drop_sql
from jobs.orders import actions as orders
from jobs.orders.models import OrderStep, Reading, WorkOrder
from jobs.orders.signals import content_changed
from jobs.people.models import Person
from jobs.signoffs import documents, queries
from jobs.signoffs.models import SignOff, Voiding
from tests.cast import STEP
from tests.jobs.signoffs.conftest import Sign
from tests.walking import Walk

Change = Callable[[WorkOrder, Walk, Person], None]


def correct_a_reading(order: WorkOrder, walk: Walk, inspector: Person) -> None:
    reading = order.steps.get(position=STEP["ring-shift"]).readings.get()
    orders.correct_reading(reading, entered="-4.28", unit="mm", reason="misread", by=walk.technician, at=walk.at)


def raise_a_finding(order: WorkOrder, walk: Walk, inspector: Person) -> None:
    orders.raise_finding(order, text="A hose is chafed.", by=walk.technician, at=walk.at)


def analyse_a_trace_anew(order: WorkOrder, walk: Walk, inspector: Person) -> None:
    trace = order.traces.get(stage="as-left")
    walk.give_result(trace.step, trace=trace, deviation_deg=0.021)
    content_changed.send(sender=WorkOrder, order=order, by=System(), at=walk.at, what="the trace was analysed anew")


def acknowledge_later(order: WorkOrder, walk: Walk, inspector: Person) -> None:
    """Straight into the table, then announced: what any action that adds to the record does."""
    step = order.steps.get(position=STEP["barring-caution"])
    step.acknowledgements.create(person=inspector, at=walk.at)
    content_changed.send(sender=WorkOrder, order=order, by=inspector, at=walk.at, what="a caution was acknowledged")


CHANGES = [correct_a_reading, raise_a_finding, analyse_a_trace_anew, acknowledge_later]


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_voids_what_was_signed_and_sends_the_order_back(
    verified: WorkOrder, walk: Walk, inspector: Person, change: Change
) -> None:
    change(verified, walk, inspector)
    verified.refresh_from_db()
    assert verified.state == WorkOrder.State.IN_WORK
    void = set(Voiding.objects.values_list("signoff__meaning", flat=True))
    assert {"performed", "verified"} <= void
    assert not {"performed", "verified"} & {one.meaning for one in queries.standing(verified)}
    assert ledger.of_chain("BY").filter(kind="signoff.voided").count() == len(void)
    assert ledger.verify("BY").holds


def test_a_voiding_says_who_changed_what(verified: WorkOrder, walk: Walk, inspector: Person) -> None:
    correct_a_reading(verified, walk, inspector)
    voiding = Voiding.objects.filter(signoff__meaning="verified").get()
    assert (voiding.by, voiding.by_name) == (walk.technician, "Tom Turner")
    assert "correct" in voiding.what


def test_a_worker_that_changes_the_record_voids_as_well(verified: WorkOrder, walk: Walk, inspector: Person) -> None:
    analyse_a_trace_anew(verified, walk, inspector)
    voiding = Voiding.objects.filter(signoff__meaning="performed").get()
    assert (voiding.by, voiding.by_name) == (None, "Midflank")


def test_what_comes_after_a_hold_point_leaves_it_standing(verified: WorkOrder, walk: Walk, inspector: Person) -> None:
    correct_a_reading(verified, walk, inspector)
    assert [one.meaning for one in queries.standing(verified)] == ["hold-point"]
    assert verified.steps.get(position=STEP["stroke-hold"]).state == OrderStep.State.DONE


def test_a_change_before_a_hold_point_voids_it_and_opens_it_again(
    past_hold_point: WorkOrder, walk: Walk, technician: Person, at: datetime
) -> None:
    reading = past_hold_point.steps.get(position=STEP["pre-use-check"]).readings.get()
    orders.correct_reading(reading, entered="10.001", unit="mm", reason="misread", by=technician, at=at)
    step = past_hold_point.steps.get(position=STEP["stroke-hold"])
    assert step.state == OrderStep.State.OPEN
    assert Voiding.objects.get().signoff.step_id == step.pk
    with pytest.raises(NotAllowed):  # and nothing after it can be done
        walk.do(past_hold_point.steps.get(position=STEP["barring-caution"]))


def test_a_hold_point_that_was_voided_can_be_signed_again(
    past_hold_point: WorkOrder, sign: Sign, technician: Person, inspector: Person, at: datetime
) -> None:
    reading = past_hold_point.steps.get(position=STEP["pre-use-check"]).readings.get()
    orders.correct_reading(reading, entered="10.001", unit="mm", reason="misread", by=technician, at=at)
    step = past_hold_point.steps.get(position=STEP["stroke-hold"])
    signoff = sign(past_hold_point, "hold-point", by=inspector, step=step)
    assert queries.standing(past_hold_point) == [signoff]


def test_closing_needs_new_signatures(
    verified: WorkOrder, walk: Walk, sign: Sign, technician: Person, inspector: Person, manager: Person
) -> None:
    correct_a_reading(verified, walk, inspector)
    with pytest.raises(NotAllowed) as refused:
        sign(verified, "released", by=manager)
    assert {"earlier-missing", "wrong-state"} <= {reason.code for reason in refused.value.reasons}
    walk(verified)  # the as-left sweep, opened again by the correction
    for meaning, person in (("performed", technician), ("verified", inspector), ("released", manager)):
        sign(verified, meaning, by=person)
    assert verified.state == WorkOrder.State.CLOSED
    assert SignOff.objects.filter(meaning="performed").count() == 2


def test_reopening_a_closed_order_voids_what_was_signed(closed: WorkOrder, manager: Person, at: datetime) -> None:
    orders.reopen_order(closed, reason="the unit came back with smoke", by=manager, at=at)
    closed.refresh_from_db()
    assert closed.state == WorkOrder.State.IN_WORK
    assert set(Voiding.objects.values_list("signoff__meaning", flat=True)) == {"performed", "verified", "released"}


def test_an_analysis_after_closing_voids_but_does_not_reopen(closed: WorkOrder, walk: Walk, inspector: Person) -> None:
    analyse_a_trace_anew(closed, walk, inspector)
    closed.refresh_from_db()
    assert closed.state == WorkOrder.State.CLOSED
    assert [one.meaning for one in queries.standing(closed)] == ["hold-point"]


def test_a_held_order_goes_back_to_being_held_in_work(
    performed: WorkOrder, walk: Walk, inspector: Person, at: datetime
) -> None:
    orders.hold_order(performed, reason="no bay", by=inspector, at=at)
    analyse_a_trace_anew(performed, walk, inspector)
    performed.refresh_from_db()
    assert (performed.state, performed.held_from) == (WorkOrder.State.HELD, WorkOrder.State.IN_WORK)


def test_an_announcement_without_a_change_voids_nothing(verified: WorkOrder, walk: Walk) -> None:
    content_changed.send(sender=WorkOrder, order=verified, by=walk.technician, at=walk.at, what="nothing at all")
    assert not Voiding.objects.exists()


def test_what_was_voided_stays_void_though_the_content_comes_back(
    verified: WorkOrder, walk: Walk, inspector: Person
) -> None:
    acknowledge_later(verified, walk, inspector)
    verified.steps.get(position=STEP["barring-caution"]).acknowledgements.filter(person=inspector).delete()
    signoff = SignOff.objects.get(meaning="verified")
    assert documents.content_sha256(verified) == signoff.content_sha256
    assert signoff not in queries.standing(verified)


# --- Behind the back of the actions ---------------------------------------------------------------------


def tamper(statement: str, *parameters: object) -> None:
    """What somebody with the database open does: the triggers lifted, a statement, the triggers back."""
    with connection.cursor() as cursor:
        for sql in drop_sql(connection.vendor, "signoffs_signoff"):
            cursor.execute(sql)
        cursor.execute(statement, parameters)
        for sql in create_sql(connection.vendor, "signoffs_signoff"):
            cursor.execute(sql)


def faults(order: WorkOrder, meaning: str) -> str:
    return " ".join(next(one for one in queries.standings(order) if one.signoff.meaning == meaning).faults)


@pytest.mark.parametrize("column", ["signer_name", "statement", "meaning", "skill_code", "content_sha256"])
def test_a_column_altered_in_the_database_is_seen(verified: WorkOrder, column: str) -> None:
    value = "hold-point" if column == "meaning" else "altered"
    pk = SignOff.objects.get(meaning="verified").pk
    tamper(f"UPDATE signoffs_signoff SET {column} = %s WHERE id = %s", value, pk)
    signoff = queries.signoffs_of(verified).get(pk=pk)
    assert not queries.is_intact(signoff)
    assert signoff not in queries.standing(verified)


def test_a_document_altered_in_the_database_is_seen(verified: WorkOrder) -> None:
    signoff = SignOff.objects.get(meaning="verified")
    tamper(
        "UPDATE signoffs_signoff SET document = %s WHERE id = %s",
        signoff.document.replace("Ines Inskip", "Ines Inskip "), signoff.pk,
    )  # fmt: skip
    assert "does not have the digest" in faults(verified, "verified")


def test_a_document_altered_with_its_digest_and_columns_is_betrayed_by_the_history(verified: WorkOrder) -> None:
    signoff = SignOff.objects.get(meaning="verified")
    document = json.loads(signoff.document)
    document["signer"]["name"] = "Tom Turner"
    body = documents.chains.canonical(document).decode()
    tamper(
        "UPDATE signoffs_signoff SET document = %s, document_sha256 = %s, signer_name = %s WHERE id = %s",
        body, documents.digest(document), "Tom Turner", signoff.pk,
    )  # fmt: skip
    assert faults(verified, "verified") == "The history recorded another digest for this sign-off."


def test_a_sign_off_put_in_by_hand_is_not_in_the_history(performed: WorkOrder, inspector: Person) -> None:
    real = SignOff.objects.get(meaning="performed")
    forged = {field.name: getattr(real, field.name) for field in SignOff._meta.concrete_fields if field.name != "id"}
    forged |= {"meaning": "verified", "signer": inspector, "signer_name": inspector.name}
    SignOff.objects.create(**forged)
    assert "The history has no entry" in faults(performed, "verified")


def test_a_record_altered_in_the_database_is_seen_without_any_voiding(verified: WorkOrder) -> None:
    Reading.objects.filter(step__position=STEP["torque"], point="bolt 1").update(value="95")
    assert not Voiding.objects.exists()
    assert "no longer what was signed" in faults(verified, "verified")
    assert [one.meaning for one in queries.standing(verified)] == ["hold-point"]


def test_an_altered_record_can_not_be_released(verified: WorkOrder, sign: Sign, manager: Person) -> None:
    Reading.objects.filter(step__position=STEP["torque"], point="bolt 1").update(value="95")
    with pytest.raises(NotAllowed) as refused:
        sign(verified, "released", by=manager)
    assert "earlier-missing" in {reason.code for reason in refused.value.reasons}
