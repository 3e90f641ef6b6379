"""Reads about sign-offs and job cards: which stand, which are void, which are no longer what was signed."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from django.db.models import QuerySet
from django.http import Http404

from jobs.errands.models import Errand
from jobs.errors import Reason
from jobs.ledger import chain as chains
from jobs.ledger import queries as ledger
from jobs.ledger import subjects
from jobs.ledger.models import Entry
from jobs.orders import facts as order_facts
from jobs.orders import rules as order_rules
from jobs.orders.models import OrderStep, WorkOrder
from jobs.orders.rules.words import why_not_state
from jobs.people import queries as people
from jobs.people.models import Person, Skill
from jobs.signoffs import documents, rules
from jobs.signoffs.models import JobCard, SignOff

# The kinds of entries about one sign-off: that it was made, that it became void.
_RECORDED = ("signoff.made", "signoff.voided")


@dataclass(frozen=True)
class Standing:
    """A sign-off as it stands now: whether it is void, and what is wrong with it, if anything."""

    signoff: SignOff
    is_void: bool
    faults: tuple[str, ...]

    @property
    def holds(self) -> bool:
        return not self.is_void and not self.faults

    @property
    def word(self) -> str:
        if self.faults:
            return "altered"
        return "void" if self.is_void else "stands"


def signoffs_of(order: WorkOrder) -> QuerySet[SignOff]:
    """Every sign-off of an order, void ones too, in the order they were made."""
    related = ("signer", "step__definition", "voiding", "work_order__shop")
    return SignOff.objects.filter(work_order=order).select_related(*related).order_by("signed_at", "pk")


def signoff_for(person: Person, pk: int) -> SignOff:
    """One sign-off of the person's shop; Http404 otherwise."""
    signoffs = SignOff.objects.filter(work_order__shop=person.shop_id, pk=pk)
    found = signoffs.select_related(
        "signer", "step__definition", "voiding", "work_order__shop", "work_order__unit", "work_order__engine"
    ).first()
    if found is None:
        raise Http404("There is no such sign-off in your shop.")
    return found


def standings(order: WorkOrder) -> list[Standing]:
    """Every sign-off of an order and how it stands, checked against its document, ledger and record."""
    digests: dict[int | None, str] = {}
    found = []
    for signoff in signoffs_of(order):
        faults = faults_of(signoff)
        if not signoff.is_void:
            if signoff.step_id not in digests:
                digests[signoff.step_id] = documents.content_sha256(order, signoff.step)
            if digests[signoff.step_id] != signoff.content_sha256:
                faults.append("The record is no longer what was signed, and no recorded change explains it.")
        found.append(Standing(signoff, signoff.is_void, tuple(faults)))
    return found


def standing(order: WorkOrder) -> list[SignOff]:
    """The sign-offs that count: not void, not altered, and over the record as it is now."""
    return [one.signoff for one in standings(order) if one.holds]


def standing_of(signoff: SignOff) -> Standing:
    """How one sign-off stands now, checked in the same way."""
    return next(found for found in standings(signoff.work_order) if found.signoff.pk == signoff.pk)


def lost(order: WorkOrder) -> list[str]:
    """A sentence for each sign-off and job card that the history recorded and that is no longer there."""
    entries = ledger.about(*subjects.name_of(order)).filter(kind__in=["signoff.made", "card.filed"])
    there = {subjects.name_of(one) for one in (*signoffs_of(order), *cards_of(order))}
    types = {SignOff._meta.label_lower, JobCard._meta.label_lower}
    return [
        f"The history recorded on {_day(entry, order)}: {entry.sentence} It is no longer there."
        for entry in entries.order_by("number").prefetch_related("subjects")
        if any(one.type in types and (one.type, one.key) not in there for one in entry.subjects.all())
    ]


def _day(entry: Entry, order: WorkOrder) -> str:
    return entry.at.astimezone(order.shop.zone).date().isoformat()


def is_intact(signoff: SignOff) -> bool:
    """Whether what is stored of a sign-off is what was signed and what the ledger recorded."""
    return not faults_of(signoff)


def faults_of(signoff: SignOff) -> list[str]:
    """What is wrong with the stored sign-off itself, in sentences; empty when it is intact."""
    body = signoff.document.encode("utf-8")
    faults = []
    if hashlib.sha256(body).hexdigest() != signoff.document_sha256:
        faults.append("The signed document does not have the digest that was signed.")
    try:
        document = json.loads(body)
        if chains.canonical(document) != body:
            faults.append("The signed document is not in canonical form.")
        if documents.columns_in(document) != documents.columns_of(signoff):
            faults.append("What is shown of this sign-off differs from the document that was signed.")
    except (ValueError, AttributeError):
        faults.append("The signed document cannot be read.")
    return [*faults, *_faults_against_history(signoff)]


def _faults_against_history(signoff: SignOff) -> Iterator[str]:
    recorded = {entry.kind: entry for entry in ledger.about(*subjects.name_of(signoff)).filter(kind__in=_RECORDED)}
    made, voided = (recorded.get(kind) for kind in _RECORDED)
    if made is None:
        yield "The history has no entry of this sign-off."
    elif json.loads(made.body).get("data", {}).get("document_sha256") != signoff.document_sha256:
        yield "The history recorded another digest for this sign-off."
    if signoff.is_void and voided is None:
        yield "It is marked as void, but the history has no entry of that."
    if voided is not None and not signoff.is_void:
        yield "The history recorded that it is void, but the mark has been removed."


def facts_for(
    order: WorkOrder,
    *,
    meaning: SignOff.Meaning,
    person: Person,
    at: datetime,
    step: OrderStep | None = None,
    seen_sha256: str = "",
) -> rules.Facts:
    """What a decision about this signature rests on, read now."""
    skill = _skill(meaning, step)
    day = at.astimezone(order.shop.zone).date()
    whole = [one for one in standing(order) if one.step_id is None]
    return rules.Facts(
        meaning=meaning,
        person_id=person.pk,
        person_name=person.name,
        skill_title=skill.title if skill else rules.SKILL_OF.get(meaning, "for this step"),
        qualified=bool(skill and people.qualification_on(person, skill.code, day)),
        content_sha256=documents.content_sha256(order, step),
        seen_sha256=seen_sha256,
        work=tuple(_against(order, meaning, step, person, at)),
        workers=order_facts.workers(order),
        releasers=_releasers(order),
        signed={one.meaning: (one.signer_id, one.signer_name) for one in whole},
    )


def _skill(meaning: SignOff.Meaning, step: OrderStep | None) -> Skill | None:
    if step is not None:
        return step.definition.skill
    return Skill.objects.filter(code=rules.SKILL_OF.get(meaning, "")).first()


def _against(
    order: WorkOrder, meaning: SignOff.Meaning, step: OrderStep | None, person: Person, at: datetime
) -> list[Reason]:
    """What the room of orders says against a signature that would change its state."""
    if step is not None:
        step.work_order = order
        return order_rules.why_not_complete_hold_point(order_facts.of_step(step, by=person, at=at))
    facts = order_facts.of_order(order)
    if meaning == SignOff.Meaning.PERFORMED:
        return order_rules.why_not_to_verify(facts)
    if meaning == SignOff.Meaning.RELEASED:
        return order_rules.why_not_close(facts)
    # The state is named in the words of signing; what else must hold for verifying must hold for closing too.
    wrong_state = why_not_state(order.number, order.state, [WorkOrder.State.TO_VERIFY], "verify it")
    return [*wrong_state, *(one for one in order_rules.why_not_close(facts) if one.code != "wrong-state")]


def _releasers(order: WorkOrder) -> frozenset[int]:
    """Who released hold points of this work, as far as those sign-offs are not void."""
    released = SignOff.objects.filter(work_order=order, step__isnull=False, voiding__isnull=True)
    return frozenset(released.values_list("signer_id", flat=True))


def cards_of(order: WorkOrder) -> QuerySet[JobCard]:
    """The filed cards of an order, newest first."""
    return JobCard.objects.filter(work_order=order).order_by("-number")


def card_errand_of(order: WorkOrder) -> Errand | None:
    """The job card asked for last, while it is not filed: waiting, being rendered, or failed; otherwise None."""
    asked = Errand.objects.filter(once_key__startswith=f"render-card:{order.pk}:").order_by("-created_at").first()
    return asked if asked is not None and asked.state != Errand.State.DONE else None


def card_for(person: Person, pk: int) -> JobCard:
    """One job card of the person's shop; Http404 otherwise."""
    cards = JobCard.objects.filter(shop=person.shop_id, pk=pk)
    found = cards.select_related("work_order__unit", "shop").first()
    if found is None:
        raise Http404("There is no such job card in your shop.")
    return found


def card_by_token(token: str) -> JobCard:
    """The job card of a verification page; Http404 otherwise."""
    found = JobCard.objects.filter(token=token).select_related("work_order__unit", "shop").first()
    if found is None:
        raise Http404("No job card has this address.")
    return found
