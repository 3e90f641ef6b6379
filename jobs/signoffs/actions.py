"""Every write of this room: signing, voiding, asking for a job card."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.db.models import F

from jobs.errands import actions as errands
from jobs.errands.models import Errand
from jobs.errors import BadInput, Reason, refuse
from jobs.ledger import actions as ledger
from jobs.ledger import chain as chains
from jobs.orders import actions as orders
from jobs.orders import queries as order_queries
from jobs.orders.models import OrderStep, WorkOrder
from jobs.people import policies
from jobs.people import queries as people
from jobs.people.models import Person
from jobs.signoffs import documents, passwords, queries, rules, wording
from jobs.signoffs.models import SignOff, Voiding

Meaning = SignOff.Meaning
RENDER_CARD = "render-card"


def sign(
    order: WorkOrder,
    *,
    meaning: str,
    password: str,
    by: Person,
    at: datetime,
    step: OrderStep | None = None,
    seen_sha256: str = "",
) -> SignOff:
    """Sign a work order, or release one of its hold points, in the stated meaning.

    The password is checked first and in a transaction of its own (see `passwords.confirm`). `seen_sha256`
    is the digest that the page showed: when the record changed since, nothing is signed. Raises
    `WrongPerson`, `BadInput` (field `password`) and `NotAllowed` with every reason; Http404 for another
    shop's work.
    """
    meant = _meaning(meaning)
    order = order_queries.order_for(by, order.pk)
    policies.require(by, rules.ACTION_OF[meant])
    passwords.confirm(by, password, order=order, meaning=meant, at=at)
    return _sign(order, meaning=meant, by=by, at=at, step=step, seen_sha256=seen_sha256)


def _meaning(meaning: str) -> SignOff.Meaning:
    try:
        return Meaning(meaning)
    except ValueError:
        known = ", ".join(Meaning.values)
        raise BadInput([Reason("unknown-meaning", f"A sign-off means one of: {known}.", "meaning")]) from None


@transaction.atomic
def _sign(
    order: WorkOrder,
    *,
    meaning: SignOff.Meaning,
    by: Person,
    at: datetime,
    step: OrderStep | None,
    seen_sha256: str,
) -> SignOff:
    order = order_queries.locked_order(order.pk)
    step = _step_of(order, meaning, step)
    facts = queries.facts_for(order, meaning=meaning, person=by, at=at, step=step, seen_sha256=seen_sha256)
    refuse(rules.why_not_sign(facts))
    signoff = _write(order, meaning=meaning, by=by, at=at, step=step)
    _take_effect(signoff, order, step, by=by, at=at)
    return signoff


def _step_of(order: WorkOrder, meaning: SignOff.Meaning, step: OrderStep | None) -> OrderStep | None:
    """The hold point as it is now, under the order's lock; none for the whole order."""
    if meaning != Meaning.HOLD_POINT:
        return None
    if step is None or step.work_order_id != order.pk:
        raise BadInput([Reason("no-step", "Say which hold point of this work order is released.", "step")])
    return order.steps.select_related("definition__skill").get(pk=step.pk)


def _write(order: WorkOrder, *, meaning: SignOff.Meaning, by: Person, at: datetime, step: OrderStep | None) -> SignOff:
    skill_code = step.definition.skill.code if step else rules.SKILL_OF[meaning]
    qualification = people.qualification_on(by, skill_code, at.astimezone(order.shop.zone).date())
    assert qualification is not None  # the rules saw to it
    statement = wording.statement(meaning, order, step)
    document = documents.make(
        documents.content_of(order, step),
        order=order,
        step=step,
        meaning=meaning,
        statement=statement,
        by=by,
        qualification=qualification,
        at=at,
        earlier=[one for one in queries.signoffs_of(order) if not one.is_void],
    )
    signoff = SignOff.objects.create(
        work_order=order,
        step=step,
        meaning=meaning,
        statement=statement,
        signer=by,
        signer_name=by.name,
        skill_code=skill_code,
        qualified_until=qualification.valid_until,
        signed_at=at,
        content_sha256=document["content_sha256"],
        document=chains.canonical(document).decode("utf-8"),
        document_sha256=documents.digest(document),
    )
    ledger.append(
        "signoff.made",
        chain=order.shop.code,
        by=by,
        at=at,
        sentence=wording.entry_sentence(signoff),
        about=[signoff, order, order.unit, order.engine, by],
        data={
            "content_sha256": signoff.content_sha256,
            "document_sha256": signoff.document_sha256,
            "meaning": signoff.meaning,
            "skill": skill_code,
            "statement": statement,
            "step": step.position if step else None,
        },
    )
    return signoff


def _take_effect(signoff: SignOff, order: WorkOrder, step: OrderStep | None, *, by: Person, at: datetime) -> None:
    if step is not None:
        orders.complete_hold_point(step, by=by, at=at)
    elif signoff.meaning == Meaning.PERFORMED:
        orders.mark_to_verify(order, by=by, at=at)
    elif signoff.meaning == Meaning.RELEASED:
        orders.close_order(order, by=by, at=at)
        _ask_card(order, by=by)
    else:
        WorkOrder.objects.filter(pk=order.pk).update(revision=F("revision") + 1)


def void_changed(order: WorkOrder, *, by: ledger.Actor, at: datetime, what: str) -> list[SignOff]:
    """Void every sign-off whose content is no longer what was signed, and let that have its effect.

    Runs inside the transaction of the change: a hold point that is void is open again, and an order whose
    `performed` is void goes back in work. Returns what was voided.
    """
    digests: dict[int | None, str] = {}
    changed = []
    for signoff in queries.signoffs_of(order).filter(voiding__isnull=True):
        if signoff.step_id not in digests:
            digests[signoff.step_id] = documents.content_sha256(order, signoff.step)
        if digests[signoff.step_id] != signoff.content_sha256:
            changed.append(signoff)
    for signoff in changed:
        _void(signoff, order, by=by, at=at, what=what)
    for signoff in changed:
        _undo_effect(signoff, order, by=by, at=at, what=what)
    return changed


def _void(signoff: SignOff, order: WorkOrder, *, by: ledger.Actor, at: datetime, what: str) -> None:
    person = by if isinstance(by, Person) else None
    Voiding.objects.create(signoff=signoff, at=at, by=person, by_name=by.actor_name, what=what)
    ledger.append(
        "signoff.voided",
        chain=order.shop.code,
        by=by,
        at=at,
        sentence=(
            f"The sign-off “{signoff.get_meaning_display()}” of {signoff.signer_name} on {order.number} "
            f"is void: {what}."
        ),
        about=[signoff, order, order.unit, order.engine, signoff.signer, *([person] if person else [])],
        data={"document_sha256": signoff.document_sha256, "meaning": signoff.meaning, "what": what},
    )


def _undo_effect(signoff: SignOff, order: WorkOrder, *, by: ledger.Actor, at: datetime, what: str) -> None:
    why = f"the sign-off of {signoff.signer_name} is void: {what}"
    if signoff.step is not None:
        signoff.step.refresh_from_db()
        if signoff.step.state == OrderStep.State.DONE:
            orders.reopen_step(signoff.step, why=why, by=by, at=at)
    elif signoff.meaning == Meaning.PERFORMED:
        order = order_queries.locked_order(order.pk)
        if order.open_state == WorkOrder.State.TO_VERIFY:  # a closed order stays closed until it is reopened
            orders.back_in_work(order, why=why, by=by, at=at)


@transaction.atomic
def ask_card(order: WorkOrder, *, by: Person, at: datetime) -> Errand:
    """Ask a worker to render, sign and file the job card of an order as it stands.

    Asked again while nothing changed, it is the same errand and the same card; a failed one is tried again.
    """
    order = order_queries.order_for(by, order.pk)
    policies.require(by, "render-card")
    order = order_queries.locked_order(order.pk)
    refuse(rules.why_not_card(order.state))
    return _ask_card(order, by=by)


def _ask_card(order: WorkOrder, *, by: Person) -> Errand:
    order.refresh_from_db(fields=["state", "revision"])
    signed = [[one.pk, one.is_void] for one in queries.signoffs_of(order)]
    shown = documents.digest([documents.content_sha256(order), order.state, signed])
    errand = errands.ask(
        RENDER_CARD,
        subject=f"{order.pk}:{shown}",
        chain=order.shop.code,
        arguments={"work_order": order.pk},
        asked_by=by.name,
    )
    errands.ask_again(errand)
    return errand
