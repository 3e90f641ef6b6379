"""What this room adds to the pages of other rooms: sign-offs and job cards of a work order."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from jobs.orders.models import OrderStep, ProcedureStep, WorkOrder
from jobs.people import policies
from jobs.people.models import Person
from jobs.signoffs import queries, rules
from jobs.signoffs.models import SignOff
from jobs.web import panels

Meaning = SignOff.Meaning


# What a job card that could not be rendered means, and what to do now.
_FAILED = "Only the PDF is missing: the record and its sign-offs stand. "
_ASK = "Put right what the reason names, or have the administrator do it, and render the card again below."
_HAVE_IT_ASKED = "Tell the administrator the reason; a technician, inspector, planner or shop manager can ask again."


@panels.register("work-order", order=50)
def signoffs_and_cards(order: WorkOrder, request: HttpRequest) -> tuple[str, dict[str, Any]] | None:
    """Who signed, how each signature stands, what can be signed next, and the cards that were filed."""
    person = request.user
    if not isinstance(person, Person) or rules.why_not_card(order.state):
        return None
    standings = queries.standings(order)
    may_ask_card = policies.may(person, "render-card")
    context = {
        "order": order,
        "standings": standings,
        "lost": queries.lost(order),
        "cards": queries.cards_of(order),
        "errand": queries.card_errand_of(order),
        "next": _next_signature(order, standings, person),
        "may_ask_card": may_ask_card,
        "card_failed": _FAILED + (_ASK if may_ask_card else _HAVE_IT_ASKED),
    }
    return "signoffs/_panel.html", context


_WORDS = {
    Meaning.PERFORMED: "Sign: performed",
    Meaning.VERIFIED: "Sign: verified",
    Meaning.RELEASED: "Sign: released to service",
}


@panels.leads_on("work-order")
def next_signature(order: WorkOrder, request: HttpRequest) -> tuple[str, str] | None:
    """The signature that the order waits for, from whoever may make it; a hold point is led to as a step."""
    person = request.user
    if not isinstance(person, Person) or order.state not in {WorkOrder.State.IN_WORK, WorkOrder.State.TO_VERIFY}:
        return None
    found = _next_signature(order, queries.standings(order), person)
    if found is None or found["meaning"] not in _WORDS:
        return None
    return _WORDS[found["meaning"]], reverse("sign", args=[order.pk, found["meaning"].value])


def _next_signature(order: WorkOrder, standings: list[queries.Standing], person: Person) -> dict[str, Any] | None:
    """The signature that the order waits for, if this person's role may make it."""
    signed = {one.signoff.meaning for one in standings if one.holds}
    current = order.steps.filter(state=OrderStep.State.OPEN).select_related("definition").first()
    meaning, step = None, None
    if order.state == WorkOrder.State.IN_WORK:
        if current is None:
            meaning = Meaning.PERFORMED
        elif current.definition.kind == ProcedureStep.Kind.HOLD_POINT:
            meaning, step = Meaning.HOLD_POINT, current
    elif order.state == WorkOrder.State.TO_VERIFY:
        meaning = Meaning.RELEASED if Meaning.VERIFIED in signed else Meaning.VERIFIED
    if meaning is None or not policies.may(person, rules.ACTION_OF[meaning]):
        return None
    return {"meaning": meaning, "step": step}
