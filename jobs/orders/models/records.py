"""What people record at the steps of a work order. A correction is a new row; the old one stays."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone

from jobs.orders.models.order import OrderStep, WorkOrder
from jobs.people.models import Person
from jobs.tooling.models import Calibration, Instrument


class Acknowledgement(models.Model):
    """A person's acknowledgement of a caution; each person who does the work that follows makes their own."""

    step = models.ForeignKey(OrderStep, on_delete=models.PROTECT, related_name="acknowledgements")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["step", "person"], name="orders_acknowledged_once")]

    def __str__(self) -> str:
        return f"{self.person} at {self.step}"


class Reading(models.Model):
    """A value read, as typed and in the stored unit, with the limits that held then."""

    step = models.ForeignKey(OrderStep, on_delete=models.PROTECT, related_name="readings")
    point = models.CharField(max_length=60, blank=True)
    entered = models.CharField(max_length=40, help_text="What was typed.")
    entered_unit = models.CharField(max_length=10)
    value = models.DecimalField(max_digits=14, decimal_places=6)
    unit = models.CharField(max_length=10)
    low = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    high = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    within = models.BooleanField()
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, null=True, blank=True, related_name="readings")
    by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    superseded_at = models.DateTimeField(null=True, blank=True)
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )
    correction_reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["step", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["step", "point"], condition=Q(superseded_at__isnull=True), name="orders_one_reading_counts"
            )
        ]

    def __str__(self) -> str:
        return f"{self.value} {self.unit}"


class Photo(models.Model):
    """A picture taken at a step; its bytes are stored once under their SHA-256."""

    step = models.ForeignKey(OrderStep, on_delete=models.PROTECT, related_name="photos")
    sha256 = models.CharField(max_length=64)
    filename = models.CharField(max_length=200)
    media_type = models.CharField(max_length=40)
    size_bytes = models.PositiveBigIntegerField()
    by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at"]
        constraints = [models.UniqueConstraint(fields=["step", "sha256"], name="orders_photo_once")]

    def __str__(self) -> str:
        return self.filename


class InstrumentUse(models.Model):
    """Which instrument was used at which step, on the strength of which calibration."""

    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="instrument_uses")
    step = models.ForeignKey(OrderStep, on_delete=models.PROTECT, related_name="instrument_uses")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="uses")
    calibration = models.ForeignKey(Calibration, on_delete=models.PROTECT, related_name="uses")
    due_on = models.DateField(help_text="The due date that held then.")
    by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at"]
        constraints = [
            models.UniqueConstraint(fields=["step", "instrument", "calibration"], name="orders_use_once")
        ]

    def __str__(self) -> str:
        return f"{self.instrument} at {self.step}"


class Finding(models.Model):
    """Something that does not conform, and what was decided about it."""

    class Kind(models.TextChoices):
        READING = "reading", "reading out of limits"
        VERDICT = "verdict", "verdict"
        AGREEMENT = "agreement", "as-left does not agree with as-found and the correction"
        OBSERVATION = "observation", "observation"
        REOPENED = "reopened", "work order reopened"

    class Decision(models.TextChoices):
        UNDECIDED = "", "not decided yet"
        REWORK = "rework", "rework"
        ACCEPT = "accept", "accepted as it is"
        CLEARED = "cleared", "cleared by a new reading or trace"

    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="findings")
    step = models.ForeignKey(OrderStep, on_delete=models.PROTECT, null=True, blank=True, related_name="findings")
    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, null=True, blank=True, related_name="findings")
    number = models.PositiveIntegerField()
    kind = models.CharField(max_length=12, choices=Kind.choices)
    text = models.TextField()
    raised_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    raised_at = models.DateTimeField(default=timezone.now)
    decision = models.CharField(max_length=10, choices=Decision.choices, blank=True)
    decision_reason = models.TextField(blank=True)
    decided_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    decided_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["work_order", "number"]
        constraints = [
            models.UniqueConstraint(fields=["work_order", "number"], name="orders_finding_once"),
            models.CheckConstraint(
                condition=Q(decision="") | ~Q(decision_reason=""), name="orders_decision_has_reason"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.work_order.number} finding {self.number}"
