"""Work orders and their steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import models
from django.db.models import Q
from django.utils import timezone

from jobs.fleet.models import Engine, EngineTypeRevision, Unit
from jobs.orders.models.procedure import Procedure, ProcedureRevision, ProcedureStep
from jobs.people.models import Person, Shop

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager

    from jobs.orders.models.records import Acknowledgement, Finding, InstrumentUse, Photo, Reading
    from jobs.orders.models.traces import Trace


class WorkOrder(models.Model):
    """The shop's order to do a job on a unit. A timing job is the work order to re-time its engine."""

    class State(models.TextChoices):
        REQUESTED = "requested", "requested"
        PLANNED = "planned", "planned"
        RELEASED = "released", "released"
        IN_WORK = "in-work", "in work"
        TO_VERIFY = "to-verify", "to verify"
        CLOSED = "closed", "closed"
        HELD = "held", "held"
        CANCELLED = "cancelled", "cancelled"

    class Reason(models.TextChoices):
        PARTS_RENEWED = "parts-renewed", "camshaft section, cam gear or idler renewed"
        RING_DISTURBED = "ring-disturbed", "index ring renewed or disturbed"
        SENSOR_FAULT = "sensor-fault", "speed-sensor or synchronisation fault"
        UNEVEN_RUNNING = "uneven-running", "uneven exhaust temperatures or smoke"
        OVERHAUL = "overhaul", "overhaul"

    class Priority(models.IntegerChoices):
        URGENT = 1, "urgent"
        NEXT = 2, "next"
        ROUTINE = 3, "routine"

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="work_orders")
    number = models.CharField(max_length=30, unique=True)
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="work_orders")
    engine = models.ForeignKey(Engine, on_delete=models.PROTECT, related_name="work_orders")
    procedure = models.ForeignKey(Procedure, on_delete=models.PROTECT, related_name="work_orders")
    reason = models.CharField(max_length=20, choices=Reason.choices)
    reason_note = models.TextField(blank=True)
    priority = models.PositiveSmallIntegerField(choices=Priority.choices, default=Priority.ROUTINE)
    needed_by = models.DateTimeField(null=True, blank=True)
    state = models.CharField(max_length=12, choices=State.choices, default=State.REQUESTED)
    held_from = models.CharField(max_length=12, choices=State.choices, blank=True)
    held_reason = models.TextField(blank=True)
    revision = models.PositiveIntegerField(
        default=1, help_text="Goes up with every change; two tablets cannot both win."
    )

    bay = models.CharField(max_length=40, blank=True)
    planned_start = models.DateTimeField(null=True, blank=True)
    planned_end = models.DateTimeField(null=True, blank=True)
    promised_at = models.DateTimeField(null=True, blank=True)
    technician = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    inspector = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    engine_type_revision = models.ForeignKey(
        EngineTypeRevision, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    procedure_revision = models.ForeignKey(
        ProcedureRevision, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    spec = models.JSONField(null=True, blank=True, help_text="The timing spec as frozen at release.")

    requested_by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    requested_at = models.DateTimeField(default=timezone.now)
    released_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    cancelled_reason = models.TextField(blank=True)

    if TYPE_CHECKING:
        steps: RelatedManager[OrderStep]
        findings: RelatedManager[Finding]
        traces: RelatedManager[Trace]
        instrument_uses: RelatedManager[InstrumentUse]

    class Meta:
        ordering = ["priority", "needed_by", "number"]
        indexes = [
            models.Index(fields=["shop", "state", "priority", "needed_by"], name="orders_board"),
            models.Index(fields=["shop", "-requested_at"], name="orders_newest"),
            models.Index(fields=["engine", "-requested_at"], name="orders_of_engine"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(state="held") & ~Q(held_from="") & ~Q(held_reason="") | ~Q(state="held") & Q(held_from=""),
                name="orders_held_has_reason",
            ),
            models.UniqueConstraint(
                fields=["engine"],
                condition=Q(state__in=["released", "in-work", "to-verify"]),
                name="orders_one_at_a_time_for_an_engine",
            ),
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def is_open(self) -> bool:
        return self.state not in {self.State.CLOSED, self.State.CANCELLED}

    @property
    def open_state(self) -> str:
        """The state, or while it is held the one it was held from."""
        return self.held_from or self.state


class OrderStep(models.Model):
    """One step of one work order, laid out at release from the frozen procedure revision."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        DONE = "done", "done"
        NOT_NEEDED = "not-needed", "not needed"

    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="steps")
    definition = models.ForeignKey(ProcedureStep, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveIntegerField()
    state = models.CharField(max_length=12, choices=State.choices, default=State.OPEN)
    done_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    done_at = models.DateTimeField(null=True, blank=True)
    note = models.TextField(blank=True)

    if TYPE_CHECKING:
        acknowledgements: RelatedManager[Acknowledgement]
        readings: RelatedManager[Reading]
        photos: RelatedManager[Photo]
        traces: RelatedManager[Trace]
        findings: RelatedManager[Finding]

    class Meta:
        ordering = ["work_order", "position"]
        constraints = [models.UniqueConstraint(fields=["work_order", "position"], name="orders_step_once")]

    def __str__(self) -> str:
        return f"{self.work_order.number} step {self.position}"
