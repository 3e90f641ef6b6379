"""Doing the steps of a work order: cautions, confirmations, photos, traces and hold points."""

from __future__ import annotations

from datetime import datetime
from typing import BinaryIO

from django.db import transaction

from jobs.errors import BadInput, Reason, refuse
from jobs.ledger.actions import Actor
from jobs.orders import facts, queries, rules, storage
from jobs.orders.actions.common import announce, locked_for, record, save
from jobs.orders.actions.findings import finish, open_again
from jobs.orders.models import Acknowledgement, OrderStep, Photo, ProcedureStep, WorkOrder
from jobs.people.models import Person

PHOTO_TYPES = {"image/jpeg": b"\xff\xd8\xff", "image/png": b"\x89PNG\r\n\x1a\n"}


def locked_step(
    step: OrderStep, *, by: Person, action: str = "do-step", seen_revision: int | None = None
) -> OrderStep:
    """The step as it is now, with its order's row locked (`step.work_order`), for somebody who may do it."""
    order = locked_for(step.work_order_id, by=by, action=action, seen_revision=seen_revision)
    fresh = OrderStep.objects.select_related("definition__skill", "done_by").get(pk=step.pk)
    fresh.work_order = order
    return fresh


@transaction.atomic
def acknowledge_caution(
    step: OrderStep, *, by: Person, at: datetime, seen_revision: int | None = None
) -> Acknowledgement:
    """Record that a person has read a caution; the first makes its step done, each person needs their own."""
    step = locked_step(step, by=by, seen_revision=seen_revision)
    order, definition = step.work_order, step.definition
    already = step.acknowledgements.filter(person=by).exists()
    refuse(rules.why_not_acknowledge(facts.of_step(step, by=by, at=at), acknowledged=already))
    acknowledgement = Acknowledgement.objects.create(step=step, person=by, at=at)
    save(order)
    sentence = f"{by.name} acknowledged the caution “{definition.title}” of {order.number}."
    data = {"position": step.position, "signal_word": definition.signal_word}
    record("caution.acknowledged", order, by=by, at=at, sentence=sentence, data=data)
    if step.state == OrderStep.State.OPEN:
        finish(order, step, by=by, at=at)
    announce(order, by=by, at=at, what=f"the caution of step {step.position} was acknowledged")
    return acknowledgement


@transaction.atomic
def confirm_step(
    step: OrderStep, *, note: str = "", by: Person, at: datetime, seen_revision: int | None = None
) -> None:
    """Confirm that a step is done: by one's word, with a photo, or having read a trace's verdict."""
    step = locked_step(step, by=by, seen_revision=seen_revision)
    refuse(_why_not_note(note), BadInput)
    refuse(rules.why_not_confirm(facts.of_step(step, by=by, at=at)))
    finish(step.work_order, step, by=by, at=at, note=note)
    announce(step.work_order, by=by, at=at, what=f"step {step.position} was done")


@transaction.atomic
def mark_not_needed(
    step: OrderStep, *, reason: str, by: Person, at: datetime, seen_revision: int | None = None
) -> None:
    """Leave out a step that the procedure asks for only when the as-found verdict is not conforming."""
    step = locked_step(step, by=by, seen_revision=seen_revision)
    order = step.work_order
    refuse(rules.why_not_text(reason, "reason", "Say why it is not needed."), BadInput)
    refuse(rules.why_not_mark_not_needed(facts.of_step(step, by=by, at=at)))
    step.state, step.done_by, step.done_at = OrderStep.State.NOT_NEEDED, by, at
    step.note = reason.strip()
    step.save(update_fields=["state", "done_by", "done_at", "note"])
    save(order)
    sentence = f"Step {step.position} “{step.definition.title}” of {order.number} not needed: {step.note}"
    record("step.not-needed", order, by=by, at=at, sentence=sentence, data={"position": step.position})
    announce(order, by=by, at=at, what=f"step {step.position} was marked as not needed")


@transaction.atomic
def add_photo(
    step: OrderStep, *, file: BinaryIO, filename: str, media_type: str, by: Person, at: datetime
) -> Photo:
    """Keep a photo taken at an open step; the same picture at the same step is the one kept already."""
    step = locked_step(step, by=by)
    order = step.work_order
    refuse(_why_not_picture(file, media_type), BadInput)
    refuse(rules.why_not_do_step(facts.of_step(step, by=by, at=at)))
    kept = storage.photos().keep(storage.chunks_of(file))
    photo, made = Photo.objects.get_or_create(
        step=step,
        sha256=kept.sha256,
        defaults={
            "filename": filename[-200:],
            "media_type": media_type,
            "size_bytes": kept.size_bytes,
            "by": by,
            "at": at,
        },
    )
    if made:
        save(order)
        sentence = f"Photo {photo.filename} added at step {step.position} of {order.number}."
        data = {"position": step.position, "sha256": photo.sha256}
        record("photo.added", order, by=by, at=at, sentence=sentence, data=data)
        announce(order, by=by, at=at, what=f"a photo was added at step {step.position}")
    return photo


# --- Called by the room of sign-offs only --------------------------------------------------------------


@transaction.atomic
def complete_hold_point(step: OrderStep, *, by: Person, at: datetime) -> None:
    """Let work go on past a hold point; by somebody who did none of the work before it."""
    step = locked_step(step, by=by, action="release-hold-point")
    refuse(rules.why_not_complete_hold_point(facts.of_step(step, by=by, at=at)))
    finish(step.work_order, step, by=by, at=at)


@transaction.atomic
def reopen_step(step: OrderStep, *, why: str, by: Actor, at: datetime) -> None:
    """Open a step again, such as a hold point whose sign-off is void; nothing happens to an open one."""
    order = queries.locked_order(step.work_order_id)
    open_again(order, order.steps.select_related("definition").get(pk=step.pk), why=why, by=by, at=at)


def reopen_steps_left_out(order: WorkOrder, *, by: Actor, at: datetime) -> None:
    """Open what was left out for a conforming as-found verdict, when a new analysis says otherwise.

    Part of the write that changed the verdict, under its transaction and the order's lock.
    """
    if facts.as_found_verdict(order) == "conforming":
        return
    for step in order.steps.filter(state=OrderStep.State.NOT_NEEDED).select_related("definition"):
        if step.definition.optional_when == ProcedureStep.OptionalWhen.AS_FOUND_CONFORMING:
            open_again(order, step, why="the as-found verdict is not conforming", by=by, at=at)


def _why_not_note(note: str) -> list[Reason]:
    return rules.why_not_text(note or "-", "note", "")


def _why_not_picture(file: BinaryIO, media_type: str) -> list[Reason]:
    """A picture is told by its first bytes, not by what it says it is."""
    begins = file.read(8)
    file.seek(0)
    magic = PHOTO_TYPES.get(media_type)
    if magic is None or not begins.startswith(magic):
        return [Reason("not-a-picture", "This is not a JPEG or PNG picture.", "file")]
    return []
