"""Instruments with their due dates and state, and the calibrations behind them."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from django.db import models
from django.utils import timezone

from jobs.people.models import Person, Shop

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


class Instrument(models.Model):
    """Anything with a calibration or inspection due date, by its asset number."""

    class Kind(models.TextChoices):
        PROBE = "probe", "probe"
        ENCODER = "encoder", "encoder"
        TORQUE_WRENCH = "torque-wrench", "torque wrench"
        CHECK_STANDARD = "check-standard", "check standard"
        SLING = "sling", "lifting sling"

    class State(models.TextChoices):
        IN_SERVICE = "in-service", "in service"
        WITHDRAWN = "withdrawn", "withdrawn"

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="instruments")
    asset_number = models.CharField(max_length=20, unique=True)
    kind = models.CharField(max_length=20, choices=Kind.choices)
    maker = models.CharField(max_length=80, blank=True)
    serial = models.CharField(max_length=60, blank=True)
    range_low = models.FloatField(null=True, blank=True)
    range_high = models.FloatField(null=True, blank=True)
    range_unit = models.CharField(max_length=10, blank=True)
    state = models.CharField(max_length=12, choices=State.choices, default=State.IN_SERVICE)
    state_reason = models.CharField(max_length=300, blank=True)
    due_on = models.DateField(
        null=True, blank=True, help_text="Last day on which it may be used; from its calibration."
    )

    if TYPE_CHECKING:
        calibrations: RelatedManager[Calibration]

    class Meta:
        ordering = ["asset_number"]
        indexes = [models.Index(fields=["shop", "due_on"], name="tooling_due")]

    def __str__(self) -> str:
        return self.asset_number

    def is_in_date(self, day: date) -> bool:
        return self.due_on is not None and day <= self.due_on


class Calibration(models.Model):
    """An event: an instrument compared with a reference, with a verdict and a validity."""

    class Verdict(models.TextChoices):
        CONFORMING = "conforming", "conforming"
        NONCONFORMING = "nonconforming", "nonconforming"

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="calibrations")
    performed_on = models.DateField()
    performed_by = models.CharField(max_length=120, help_text="Person or laboratory.")
    certificate = models.CharField(max_length=80)
    as_found = models.CharField(max_length=15, choices=Verdict.choices)
    as_left = models.CharField(max_length=15, choices=Verdict.choices)
    valid_until = models.DateField()
    probe_calibration = models.JSONField(
        null=True, blank=True, help_text="`probe_calibration` of the timing spec, for probes read in counts."
    )
    standard_uncertainty = models.FloatField(null=True, blank=True, help_text="In the instrument's own unit.")
    note = models.TextField(blank=True)
    recorded_by = models.ForeignKey(
        Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+", help_text="Empty: at set-up."
    )
    recorded_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-performed_on", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "certificate"], name="tooling_certificate_once"),
            models.CheckConstraint(
                condition=models.Q(valid_until__gte=models.F("performed_on")), name="tooling_calibration_order"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.instrument} {self.certificate}"
