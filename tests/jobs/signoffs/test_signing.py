"""Who may sign what, when, and what it does."""

from __future__ import annotations

import hashlib
import json
from datetime import date, datetime, timedelta

import pytest
from django.http import Http404

from jobs.errors import BadInput, NotAllowed, WrongPerson
from jobs.ledger import queries as ledger
from jobs.ledger.models import Entry
from jobs.orders import actions as orders
from jobs.orders import content
from jobs.orders.models import OrderStep, WorkOrder
from jobs.people.models import Person, Qualification, RoleGrant, Shop
from jobs.signoffs import actions, queries, rules
from jobs.signoffs.models import SignOff
from tests.cast import PASSWORD, SINCE, STEP
from tests.jobs.signoffs.conftest import Sign
from tests.walking import Walk


def codes(refused: pytest.ExceptionInfo[NotAllowed]) -> set[str]:
    return {reason.code for reason in refused.value.reasons}


def also(person: Person, role: str, *skills: str) -> None:
    """Give a person one more role and more skills."""
    from jobs.people.models import Skill

    RoleGrant.objects.create(person=person, role=role, valid_from=SINCE)
    for code in skills:
        Qualification.objects.create(person=person, skill=Skill.objects.get(code=code), valid_from=SINCE)
    person.__dict__.pop("_roles_on", None)


def test_performed_hands_the_order_over_to_be_verified(all_done: WorkOrder, sign: Sign, technician: Person) -> None:
    sign(all_done, "performed", by=technician)
    assert all_done.state == WorkOrder.State.TO_VERIFY


def test_released_closes_the_order(verified: WorkOrder, sign: Sign, manager: Person) -> None:
    sign(verified, "released", by=manager)
    assert verified.state == WorkOrder.State.CLOSED


def test_a_signed_hold_point_lets_work_go_on(
    at_hold_point: WorkOrder, hold_step: OrderStep, sign: Sign, inspector: Person
) -> None:
    sign(at_hold_point, "hold-point", by=inspector, step=hold_step)
    hold_step.refresh_from_db()
    assert (hold_step.state, hold_step.done_by) == (OrderStep.State.DONE, inspector)


def test_the_document_binds_content_meaning_person_and_moment(
    all_done: WorkOrder, sign: Sign, technician: Person, at: datetime
) -> None:
    signoff = sign(all_done, "performed", by=technician)
    document = json.loads(signoff.document)
    assert hashlib.sha256(signoff.document.encode()).hexdigest() == signoff.document_sha256
    assert signoff.content_sha256 == content.content_sha256(all_done)
    assert document["content"]["order"]["number"] == all_done.number
    assert document["meaning"] == "performed"
    assert document["signer"] == {"id": technician.pk, "name": "Tom Turner"}
    assert document["signed_at"] == at.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    assert document["statement"] == signoff.statement
    assert [earlier["meaning"] for earlier in document["earlier"]] == ["hold-point"]


def test_each_signature_is_in_the_history_with_its_digest(closed: WorkOrder) -> None:
    entries = ledger.of_chain("BY").filter(kind="signoff.made")
    recorded = {json.loads(entry.body)["data"]["document_sha256"] for entry in entries}
    assert recorded == set(queries.signoffs_of(closed).values_list("document_sha256", flat=True))
    assert len(recorded) == 4
    assert ledger.verify("BY").holds


def test_all_four_stand_after_closing(closed: WorkOrder) -> None:
    assert [one.meaning for one in queries.standing(closed)] == ["hold-point", "performed", "verified", "released"]


# --- Two people -----------------------------------------------------------------------------------------


def test_who_performed_does_not_verify(performed: WorkOrder, sign: Sign, technician: Person) -> None:
    also(technician, "inspector", "verify-timing")
    with pytest.raises(NotAllowed) as refused:
        sign(performed, "verified", by=technician)
    assert codes(refused) == {"same-person"}


def test_who_only_took_one_reading_does_not_verify_either(
    past_hold_point: WorkOrder, walk: Walk, sign: Sign, technician: Person, technician2: Person
) -> None:
    walk(past_hold_point, until="torque")
    walk.technician = technician2
    caution = past_hold_point.steps.get(position=STEP["clamp-caution"])
    orders.acknowledge_caution(caution, by=technician2, at=walk.at)
    walk(past_hold_point, until="as-left")
    walk.technician = technician
    walk(past_hold_point)
    sign(past_hold_point, "performed", by=technician)
    also(technician2, "inspector", "verify-timing")
    with pytest.raises(NotAllowed) as refused:
        sign(past_hold_point, "verified", by=technician2)
    assert codes(refused) == {"same-person"}


def test_who_released_a_hold_point_does_not_sign_performed(all_done: WorkOrder, sign: Sign, inspector: Person) -> None:
    also(inspector, "technician", "perform-timing")
    with pytest.raises(NotAllowed) as refused:
        sign(all_done, "performed", by=inspector)
    assert "same-person" in codes(refused)


def test_who_did_none_of_the_work_does_not_sign_it_performed(
    all_done: WorkOrder, sign: Sign, technician2: Person
) -> None:
    with pytest.raises(NotAllowed) as refused:
        sign(all_done, "performed", by=technician2)
    assert codes(refused) == {"did-not-work"}


def test_who_worked_does_not_release_to_service(verified: WorkOrder, sign: Sign, technician: Person) -> None:
    also(technician, "manager", "release-to-service")
    with pytest.raises(NotAllowed) as refused:
        sign(verified, "released", by=technician)
    assert codes(refused) == {"same-person"}


def test_who_worked_before_a_hold_point_does_not_release_it(
    at_hold_point: WorkOrder, hold_step: OrderStep, sign: Sign, technician: Person
) -> None:
    also(technician, "inspector", "verify-timing")
    with pytest.raises(NotAllowed) as refused:
        sign(at_hold_point, "hold-point", by=technician, step=hold_step)
    assert codes(refused) == {"own-work"}


# --- Role and qualification -----------------------------------------------------------------------------


@pytest.mark.parametrize("meaning", ["performed", "verified", "released"])
def test_a_planner_signs_nothing(all_done: WorkOrder, sign: Sign, planner: Person, meaning: str) -> None:
    with pytest.raises(WrongPerson):
        sign(all_done, meaning, by=planner)


def test_an_unqualified_inspector_does_not_verify(performed: WorkOrder, sign: Sign, technician2: Person) -> None:
    also(technician2, "inspector")
    with pytest.raises(NotAllowed) as refused:
        sign(performed, "verified", by=technician2)
    assert codes(refused) == {"not-qualified"}


def test_a_qualification_that_has_expired_counts_no_more(
    performed: WorkOrder, sign: Sign, inspector: Person, at: datetime
) -> None:
    inspector.qualifications.update(valid_until=at.date() - timedelta(days=1))
    with pytest.raises(NotAllowed) as refused:
        sign(performed, "verified", by=inspector)
    assert codes(refused) == {"not-qualified"}


def test_a_qualification_counts_on_its_last_day_by_the_clock_of_the_shop(
    performed: WorkOrder, sign: Sign, inspector: Person, brackwater: Shop
) -> None:
    # 23:30 UTC in June is half past midnight of the next day in the shop.
    brackwater.refresh_from_db()
    inspector.qualifications.update(valid_until=date(2026, 6, 30))
    late = datetime.fromisoformat("2026-06-30T23:30:00+00:00")
    with pytest.raises(NotAllowed):
        sign(performed, "verified", by=inspector, at=late)
    sign(performed, "verified", by=inspector, at=late - timedelta(hours=1))


def test_another_shops_order_is_not_found(all_done: WorkOrder, sign: Sign, stranger: Person) -> None:
    with pytest.raises(Http404):
        sign(all_done, "performed", by=stranger)


# --- Moment ---------------------------------------------------------------------------------------------


def test_performed_needs_every_step(past_hold_point: WorkOrder, sign: Sign, technician: Person) -> None:
    with pytest.raises(NotAllowed) as refused:
        sign(past_hold_point, "performed", by=technician)
    assert "open-steps" in codes(refused)


def test_performed_needs_every_finding_decided(
    all_done: WorkOrder, sign: Sign, technician: Person, at: datetime
) -> None:
    orders.raise_finding(all_done, text="A hose is chafed.", by=technician, at=at)
    with pytest.raises(NotAllowed) as refused:
        sign(all_done, "performed", by=technician)
    assert codes(refused) == {"undecided-finding"}


def test_verified_comes_after_performed(all_done: WorkOrder, sign: Sign, inspector: Person) -> None:
    with pytest.raises(NotAllowed) as refused:
        sign(all_done, "verified", by=inspector)
    assert {"earlier-missing", "wrong-state"} <= codes(refused)


def test_released_comes_after_verified(performed: WorkOrder, sign: Sign, manager: Person) -> None:
    with pytest.raises(NotAllowed) as refused:
        sign(performed, "released", by=manager)
    assert codes(refused) == {"earlier-missing"}


def test_what_stands_is_not_signed_twice(verified: WorkOrder, sign: Sign, inspector: Person) -> None:
    with pytest.raises(NotAllowed) as refused:
        sign(verified, "verified", by=inspector)
    assert codes(refused) == {"signed-already"}


def test_a_page_that_is_stale_signs_nothing(all_done: WorkOrder, sign: Sign, technician: Person, at: datetime) -> None:
    seen = content.content_sha256(all_done)
    reading = all_done.steps.get(position=STEP["ring-shift"]).readings.get()
    orders.correct_reading(reading, entered="-4.3", unit="mm", reason="misread", by=technician, at=at)
    with pytest.raises(NotAllowed) as refused:
        sign(all_done, "performed", by=technician, seen_sha256=seen)
    assert "changed-meanwhile" in codes(refused)
    assert not SignOff.objects.filter(meaning="performed").exists()


def test_a_step_that_is_no_hold_point_is_not_released(at_hold_point: WorkOrder, sign: Sign, inspector: Person) -> None:
    step = at_hold_point.steps.get(position=STEP["as-found"])
    with pytest.raises(NotAllowed) as refused:
        sign(at_hold_point, "hold-point", by=inspector, step=step)
    assert "wrong-kind" in codes(refused)


def test_a_hold_point_needs_its_step(at_hold_point: WorkOrder, sign: Sign, inspector: Person) -> None:
    with pytest.raises(BadInput):
        sign(at_hold_point, "hold-point", by=inspector)


def test_a_meaning_nobody_knows_is_refused(all_done: WorkOrder, sign: Sign, technician: Person) -> None:
    with pytest.raises(BadInput):
        sign(all_done, "approved", by=technician)


# --- Password -------------------------------------------------------------------------------------------


def test_a_wrong_password_signs_nothing_and_is_in_the_history(
    all_done: WorkOrder, sign: Sign, technician: Person
) -> None:
    with pytest.raises(BadInput) as refused:
        sign(all_done, "performed", by=technician, password="not-it")
    assert refused.value.reasons[0].field == "password"
    assert not SignOff.objects.filter(meaning="performed").exists()
    entry = Entry.objects.get(kind="signoff.refused")
    assert entry.actor_id == technician.pk
    assert "not-it" not in entry.body


@pytest.mark.django_db(transaction=True)
def test_the_entry_of_a_wrong_password_is_committed_though_the_signature_is_not(
    all_done: WorkOrder, sign: Sign, technician: Person
) -> None:
    from django.db import connection

    with pytest.raises(BadInput):
        sign(all_done, "performed", by=technician, password="not-it")
    assert not connection.in_atomic_block
    assert Entry.objects.filter(kind="signoff.refused").count() == 1


def test_after_five_wrong_passwords_even_the_right_one_waits(
    all_done: WorkOrder, sign: Sign, technician: Person, at: datetime
) -> None:
    for minute in range(rules.ATTEMPTS):
        with pytest.raises(BadInput):
            sign(all_done, "performed", by=technician, password="guess", at=at + timedelta(minutes=minute))
    with pytest.raises(NotAllowed) as refused:
        sign(all_done, "performed", by=technician, at=at + timedelta(minutes=6))
    assert codes(refused) == {"too-many-attempts"}
    assert "08:35" in str(refused.value)
    sign(all_done, "performed", by=technician, at=at + timedelta(minutes=15, seconds=1))


def test_the_wrong_passwords_of_one_do_not_keep_another_from_signing(
    performed: WorkOrder, sign: Sign, technician: Person, inspector: Person
) -> None:
    for _ in range(rules.ATTEMPTS):
        with pytest.raises(BadInput):
            actions.sign(performed, meaning="performed", password="guess", by=technician, at=_at(performed))
    sign(performed, "verified", by=inspector)


def _at(order: WorkOrder) -> datetime:
    assert order.started_at is not None
    return order.started_at


def test_the_password_of_somebody_else_does_not_do(all_done: WorkOrder, sign: Sign, technician: Person) -> None:
    technician.set_password("another-one-altogether")
    technician.save(update_fields=["password"])
    with pytest.raises(BadInput):
        sign(all_done, "performed", by=technician, password=PASSWORD)
