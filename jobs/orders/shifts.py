"""Shifts of the index ring: which readings are shifts, when each was made, and whether another is to be made.

A shift that was too small is not undone by the next: the ring moves by both. So a shift made again after rework
is a further reading at a point of its own, and what counts against as-found is the sum. A correction of a
reading is a slip of the pen put right: the ring moved once, when the first of them was recorded.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from jobs.orders import quantities
from jobs.orders.agreement import Shift
from jobs.orders.models import Finding, OrderStep, Reading, WorkOrder

RING_SHIFT = "ring shift"


def is_shift(step: OrderStep) -> bool:
    return step.definition.quantity == RING_SHIFT


def steps_of(order: WorkOrder) -> list[OrderStep]:
    """The steps of an order at which the ring is shifted, in their sequence."""
    return list(order.steps.filter(definition__quantity=RING_SHIFT).order_by("position"))


def counting(order: WorkOrder) -> list[Reading]:
    """The readings of shifts that count, in the order in which they were recorded."""
    readings = Reading.objects.filter(step__in=steps_of(order), superseded_at__isnull=True)
    return list(readings.select_related("supersedes").order_by("step__position", "pk"))


def made_at(reading: Reading) -> datetime:
    """When the ring was moved: the moment of the first reading that this one corrects."""
    while reading.supersedes is not None:
        reading = reading.supersedes
    return reading.at


def made_between(order: WorkOrder, since: datetime, until: datetime) -> list[Shift] | None:
    """The shifts made after as-found was taken and before as-left was; None when no shift was ever read."""
    readings = counting(order)
    if not readings:
        return None
    return [as_read(reading) for reading in readings if since <= made_at(reading) <= until]


def as_read(reading: Reading) -> Shift:
    """A shift with the digits that were typed."""
    stored_as_typed = reading.entered_unit == reading.unit
    digits = quantities.decimals(reading.entered) if stored_as_typed else None
    return Shift.read(reading.value, reading.unit, digits=digits)


def points_of(step: OrderStep, recorded: Iterable[Reading]) -> list[str]:
    """The points at which a step is read: those of its procedure, the further shifts there were, and one more
    while rework waits for it."""
    points = list(step.definition.reading_points)
    if not is_shift(step):
        return points
    readings = list(recorded)
    points += [reading.point for reading in readings if reading.point not in points]
    if step.state == OrderStep.State.OPEN and len(readings) == len(points) and _rework_waits(step, readings):
        points.append(f"shift {len(points) + 1}")
    return points


def made_good(reading: Reading, recorded: Iterable[Reading]) -> bool:
    """Whether a shift out of its limits was followed by a further one, as rework decided about it asked."""
    if not is_shift(reading.step):
        return False
    rework = reading.findings.filter(decision=Finding.Decision.REWORK).first()
    decided_at = rework.decided_at if rework is not None else None
    return decided_at is not None and any(other.at > decided_at for other in recorded)


def _rework_waits(step: OrderStep, readings: list[Reading]) -> bool:
    """Rework was decided at the step, and no shift was made since."""
    newest = max(reading.at for reading in readings)
    return step.findings.filter(decision=Finding.Decision.REWORK, decided_at__gt=newest).exists()
