"""What may be signed, by whom, and why not: pure functions over the facts of the moment."""

from __future__ import annotations

from dataclasses import dataclass, field

from jobs.errors import Reason
from jobs.orders.models import WorkOrder
from jobs.signoffs.models import SignOff

Meaning = SignOff.Meaning
State = WorkOrder.State

# Wrong passwords within this time, after which signing waits; 21 CFR 11.300(d) as a pattern.
ATTEMPTS, ATTEMPTS_WITHIN_MINUTES = 5, 15

ACTION_OF = {
    Meaning.HOLD_POINT: "release-hold-point",
    Meaning.PERFORMED: "sign-performed",
    Meaning.VERIFIED: "sign-verified",
    Meaning.RELEASED: "sign-released",
}
SKILL_OF = {
    Meaning.PERFORMED: "perform-timing",
    Meaning.VERIFIED: "verify-timing",
    Meaning.RELEASED: "release-to-service",
}
NEEDS: dict[SignOff.Meaning, list[SignOff.Meaning]] = {
    Meaning.VERIFIED: [Meaning.PERFORMED],
    Meaning.RELEASED: [Meaning.PERFORMED, Meaning.VERIFIED],
}


@dataclass(frozen=True)
class Facts:
    """Everything a decision about one signature rests on.

    `work` is what the room of orders says against it: open steps, undecided findings, the wrong state; for a
    hold point also cautions not acknowledged and own work. `workers` are those who did something to the work,
    `releasers` those who released its hold points. `signed` maps each meaning that stands for the whole order
    to the signer's id and name.
    """

    meaning: SignOff.Meaning
    person_id: int
    person_name: str
    skill_title: str
    qualified: bool
    content_sha256: str
    seen_sha256: str = ""
    work: tuple[Reason, ...] = ()
    workers: frozenset[int] = frozenset()
    releasers: frozenset[int] = frozenset()
    signed: dict[str, tuple[int, str]] = field(default_factory=dict)


def why_not_sign(facts: Facts) -> list[Reason]:
    """Every reason why this person may not make this signature now; empty when they may."""
    if facts.meaning == Meaning.HOLD_POINT:  # orders has the rules about people at a step
        return [*_page(facts), *facts.work]
    return [*_page(facts), *_order_of_meanings(facts), *_person(facts), *_two_people(facts), *facts.work]


def why_not_card(state: str) -> list[Reason]:
    """A job card shows frozen revisions, so there is none before release."""
    if state in {State.REQUESTED, State.PLANNED, State.CANCELLED}:
        label = State(state).label
        return [Reason("state", f"A job card can be printed from release on; this work order is {label}.")]
    return []


def _order_of_meanings(facts: Facts) -> list[Reason]:
    reasons = [
        Reason("earlier-missing", f"“{needed.label}” must be signed first, and must still stand.")
        for needed in NEEDS.get(facts.meaning, [])
        if needed not in facts.signed
    ]
    if facts.meaning in facts.signed:
        _, name = facts.signed[facts.meaning]
        sentence = f"{name} signed “{facts.meaning.label}” already, and it stands."
        reasons.append(Reason("signed-already", sentence))
    return reasons


def _person(facts: Facts) -> list[Reason]:
    if facts.qualified:
        return []
    return [
        Reason(
            "not-qualified",
            f"{facts.person_name} holds no qualification “{facts.skill_title}” that is valid today. "
            "An administrator enters qualifications.",
        )
    ]


def _two_people(facts: Facts) -> list[Reason]:
    """The one who does is not the one who checks, whichever of the two comes first."""
    performer, _ = facts.signed.get(Meaning.PERFORMED, (None, ""))
    worked = facts.person_id in facts.workers or facts.person_id == performer
    if facts.meaning == Meaning.PERFORMED:
        reasons = []
        if facts.person_id in facts.releasers:
            sentence = "You released a hold point of this work, so another person signs it performed."
            reasons.append(Reason("same-person", sentence))
        if not worked:
            sentence = "Only someone who did some of this work can sign it performed; you did none."
            reasons.append(Reason("did-not-work", sentence))
        return reasons
    if not worked:
        return []
    doing = "verifies it" if facts.meaning == Meaning.VERIFIED else "releases it to service"
    return [Reason("same-person", f"You did some of this work yourself, so another person {doing}.")]


def _page(facts: Facts) -> list[Reason]:
    if facts.seen_sha256 in {"", facts.content_sha256}:
        return []
    return [
        Reason(
            "changed-meanwhile",
            "The record changed while you were reading it, so what you saw is not what you would sign. "
            "Nothing was signed. Read it again as it stands now, then sign.",
        )
    ]
