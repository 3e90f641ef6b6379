"""Traces, stored once under their hash, and the analyses of them, each a row that is never changed."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING

from django.db import models
from django.db.models import Q
from django.utils import timezone

from jobs.orders.models.order import OrderStep, WorkOrder
from jobs.orders.models.procedure import ProcedureStep
from jobs.people.models import Person
from jobs.tooling.models import Calibration, Instrument

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


class TraceBytes(models.Model):
    """A recording's bytes, named by their SHA-256; the file lies under that name and is never written again."""

    sha256 = models.CharField(max_length=64, primary_key=True)
    size_bytes = models.PositiveBigIntegerField()
    stored_at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return self.sha256[:12]


class Trace(models.Model):
    """A recording as it was handed in at a step, with the instruments that made it.

    Or readings by hand, where there is no encoder: a document of them in the recording's place.
    """

    class Form(models.TextChoices):
        RECORDING = "recording", "recording"
        HAND_READINGS = "hand-readings", "hand readings"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="traces")
    step = models.ForeignKey(OrderStep, on_delete=models.PROTECT, related_name="traces")
    stage = models.CharField(max_length=10, choices=ProcedureStep.Stage.choices)
    bytes = models.ForeignKey(TraceBytes, on_delete=models.PROTECT, related_name="traces")
    form = models.CharField(max_length=15, choices=Form.choices, default=Form.RECORDING)
    filename = models.CharField(max_length=200)
    probe = models.ForeignKey(Instrument, on_delete=models.PROTECT, related_name="traces_as_probe")
    probe_calibration = models.ForeignKey(Calibration, on_delete=models.PROTECT, related_name="+")
    encoder = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, null=True, blank=True, related_name="traces_as_encoder"
    )
    encoder_calibration = models.ForeignKey(
        Calibration, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    uploaded_by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    uploaded_at = models.DateTimeField()
    failure = models.TextField(blank=True, help_text="Why no worker could analyse it, when none could.")

    if TYPE_CHECKING:
        analyses: RelatedManager[Analysis]

    class Meta:
        ordering = ["uploaded_at"]
        constraints = [
            models.UniqueConstraint(fields=["step", "bytes"], name="orders_trace_handed_in_once"),
            models.CheckConstraint(
                condition=Q(form="recording", encoder__isnull=False, encoder_calibration__isnull=False)
                | Q(form="hand-readings", encoder__isnull=True, encoder_calibration__isnull=True),
                name="orders_trace_has_its_instruments",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.filename} ({self.bytes_id[:12]})"

    @property
    def by_hand(self) -> bool:
        return self.form == self.Form.HAND_READINGS

    @property
    def noun(self) -> str:
        """What it is called on screen and in the history."""
        return "hand readings" if self.by_hand else "trace"

    @property
    def instruments(self) -> list[tuple[Instrument, Calibration]]:
        """The instruments that made it, each with the calibration on which it was used."""
        used = [(self.probe, self.probe_calibration)]
        if self.encoder is not None and self.encoder_calibration is not None:
            used.append((self.encoder, self.encoder_calibration))
        return used


class Analysis(models.Model):
    """A function of trace, spec, calibrations and analysis version, with all four recorded. Append-only."""

    class Outcome(models.TextChoices):
        RESULT = "result", "result"
        REFUSED = "refused", "refused"

    class Verdict(models.TextChoices):
        CONFORMING = "conforming", "conforming"
        NONCONFORMING = "nonconforming", "nonconforming"
        UNDECIDED = "undecided", "undecided"
        NO_RESULT = "no-result", "no result"

    trace = models.ForeignKey(Trace, on_delete=models.PROTECT, related_name="analyses")
    number = models.PositiveIntegerField()
    outcome = models.CharField(max_length=10, choices=Outcome.choices)
    verdict = models.CharField(max_length=15, choices=Verdict.choices)
    reference_deg = models.FloatField(null=True, blank=True)
    deviation_deg = models.FloatField(null=True, blank=True)
    expanded_uncertainty_deg = models.FloatField(null=True, blank=True)
    hysteresis_deg = models.FloatField(null=True, blank=True)
    result = models.JSONField(help_text="The result or the refusal, as the analysis gave it.")
    spec = models.JSONField()
    spec_sha256 = models.CharField(max_length=64)
    calibrations = models.JSONField(help_text="Ids and certificates of the calibrations it stands on.")
    analysis_version = models.CharField(max_length=40)
    input_sha256 = models.CharField(max_length=64, help_text="Of trace hash, spec, calibrations and version together.")
    made_at = models.DateTimeField()
    supersedes = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="superseded_by"
    )

    class Meta:
        ordering = ["trace", "number"]
        verbose_name_plural = "analyses"
        constraints = [
            models.UniqueConstraint(fields=["trace", "number"], name="orders_analysis_number_once"),
            models.UniqueConstraint(fields=["trace", "input_sha256"], name="orders_analysis_once"),
            models.CheckConstraint(
                condition=Q(verdict="no-result") | Q(reference_deg__isnull=False), name="orders_verdict_has_angle"
            ),
        ]

    def __str__(self) -> str:
        return f"analysis {self.number} of {self.trace_id}"
