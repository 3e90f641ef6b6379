"""Findings: who may raise and who may decide them."""

from __future__ import annotations

from dataclasses import dataclass

from jobs.errors import Reason
from jobs.orders.models import Finding, WorkOrder
from jobs.orders.rules.words import state_label, why_not_text

State = WorkOrder.State
ON_THE_FLOOR = frozenset({State.RELEASED, State.IN_WORK, State.TO_VERIFY})
# What a person decides; a finding is cleared by a new reading or trace, never by anybody's word.
DECISIONS = (Finding.Decision.ACCEPT, Finding.Decision.REWORK)


@dataclass(frozen=True)
class FindingFacts:
    number: int
    order_number: str
    open_state: str
    decision: str
    person: str
    is_raiser: bool = False
    is_own_work: bool = False


def why_not_raise_now(order_number: str, open_state: str) -> list[Reason]:
    """Why no finding at all can be raised on the order as it stands."""
    return _why_not_on_the_floor(order_number, open_state, "raise a finding")


def why_not_raise(order_number: str, open_state: str, text: str) -> list[Reason]:
    """A finding may be raised while the order is on the floor, held or not."""
    return [*why_not_raise_now(order_number, open_state), *why_not_text(text, "text", "Say what does not conform.")]


def why_not_decide(facts: FindingFacts) -> list[Reason]:
    """Somebody other than the one who raised it, or whose work it is about, decides a finding, once."""
    reasons = _why_not_on_the_floor(facts.order_number, facts.open_state, "decide a finding")
    if facts.decision:
        label = Finding.Decision(facts.decision).label
        reasons.append(Reason("decided", f"Finding {facts.number} is decided already: {label}."))
    if facts.is_raiser:
        sentence = f"{facts.person} raised finding {facts.number}; another person decides it."
        reasons.append(Reason("own-finding", sentence))
    elif facts.is_own_work:
        sentence = f"Finding {facts.number} is about work that {facts.person} did; another person decides it."
        reasons.append(Reason("own-work", sentence))
    return reasons


def why_not_decision(decision: str, reason: str) -> list[Reason]:
    """What is wrong with a decision as it was typed."""
    reasons = []
    if decision not in DECISIONS:
        reasons.append(Reason("decision", "Decide: accepted as it is, or rework.", "decision"))
    return [*reasons, *why_not_text(reason, "reason", "Say why; the reason stays on the job card.")]


def _why_not_on_the_floor(number: str, open_state: str, doing: str) -> list[Reason]:
    if open_state in ON_THE_FLOOR:
        return []
    if open_state == State.CLOSED:
        return [Reason("closed", f"{number} is closed. A manager must reopen it before you {doing}.")]
    return [Reason("wrong-state", f"{number} is {state_label(open_state)}; you cannot {doing} now.")]
