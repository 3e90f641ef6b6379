"""The sentences of signing: what each meaning states, and what signing it does."""

from __future__ import annotations

from jobs.orders.models import OrderStep, WorkOrder
from jobs.signoffs.models import SignOff

Meaning = SignOff.Meaning


def statement(meaning: SignOff.Meaning, order: WorkOrder, step: OrderStep | None = None) -> str:
    """The sentence that is signed; it never says that an engine is safe, only who did and checked what."""
    thing = f"work order {order.number} on engine {order.engine.serial} of unit {order.unit.number}"
    if meaning == Meaning.HOLD_POINT:
        assert step is not None
        return (
            f"I checked the work of {thing} up to step {step.position}, “{step.definition.title}”, "
            "independently of those who did it, and work may go on from there."
        )
    return {
        Meaning.PERFORMED: (f"The work of {thing} was performed as recorded, and the record is complete and true."),
        Meaning.VERIFIED: (
            f"I verified the record of {thing} independently of those who did the work: it follows "
            "its procedure and its results conform, apart from what its findings record as accepted."
        ),
        Meaning.RELEASED: f"On the record of {thing}, the unit is released to service.",
    }[meaning]


def effect(meaning: SignOff.Meaning, order: WorkOrder, step: OrderStep | None = None) -> str:
    """What signing does, told before it is done."""
    if meaning == Meaning.HOLD_POINT:
        assert step is not None
        return (
            f"Signing releases the hold point at step {step.position}: work on {order.number} goes on past "
            "it. If anything recorded before it changes later, your signature is void and the hold point "
            "closes again."
        )
    later = "If anything in the record changes later, your signature is void and the work order goes back in work."
    return {
        Meaning.PERFORMED: (f"Signing ends the work on {order.number} and hands it over to be verified. {later}"),
        Meaning.VERIFIED: f"Signing confirms the record of {order.number} as a second person. {later}",
        Meaning.RELEASED: (
            f"Signing closes {order.number}, gives unit {order.unit.number} back to service and files the "
            f"signed job card. {later}"
        ),
    }[meaning]


def button(meaning: SignOff.Meaning) -> str:
    """What the button says."""
    return {
        Meaning.HOLD_POINT: "Sign and release the hold point",
        Meaning.PERFORMED: "Sign: performed",
        Meaning.VERIFIED: "Sign: verified",
        Meaning.RELEASED: "Sign: released to service",
    }[meaning]


def entry_sentence(signoff: SignOff) -> str:
    """How the history tells it."""
    order = signoff.work_order
    if signoff.meaning == Meaning.HOLD_POINT:
        assert signoff.step is not None
        where = f"step {signoff.step.position} of {order.number}"
        return f"{signoff.signer_name} released the hold point at {where}."
    return f"{signoff.signer_name} signed {order.number}: {signoff.get_meaning_display()}."


def title(meaning: SignOff.Meaning, order: WorkOrder, step: OrderStep | None = None) -> str:
    """The heading of the signing page."""
    if step is not None:
        return f"Release the hold point at step {step.position} of {order.number}"
    return f"Sign {order.number}: {meaning.label}"
