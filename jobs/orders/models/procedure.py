"""Procedures: the steps for a kind of job, in numbered revisions that never change once issued."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.db import models

from jobs.people.models import Person, Skill
from jobs.tooling.models import Instrument

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


class Procedure(models.Model):
    code = models.SlugField(max_length=40, unique=True)
    title = models.CharField(max_length=160)

    if TYPE_CHECKING:
        revisions: RelatedManager[ProcedureRevision]

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class ProcedureRevision(models.Model):
    """Immutable once issued; a work order keeps the revision with which it was released."""

    procedure = models.ForeignKey(Procedure, on_delete=models.PROTECT, related_name="revisions")
    number = models.PositiveIntegerField()
    issued_at = models.DateTimeField(null=True, blank=True)
    issued_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    change_note = models.TextField(blank=True)

    if TYPE_CHECKING:
        steps: RelatedManager[ProcedureStep]

    class Meta:
        ordering = ["procedure", "-number"]
        constraints = [models.UniqueConstraint(fields=["procedure", "number"], name="orders_revision_once")]

    def __str__(self) -> str:
        return f"{self.procedure.code} revision {self.number}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.pk and ProcedureRevision.objects.filter(pk=self.pk, issued_at__isnull=False).exists():
            raise TypeError(f"{self} is issued; an issued revision is never changed, a new one is made")
        super().save(*args, **kwargs)


class ProcedureStep(models.Model):
    """One step of a procedure revision: what to do, what to record, within which limits, with what."""

    class Phase(models.TextChoices):
        MAKE_SAFE = "make-safe", "Make safe"
        PREPARE = "prepare", "Prepare"
        AS_FOUND = "as-found", "As-found"
        SET = "set", "Set"
        AS_LEFT = "as-left", "As-left"
        RESTORE = "restore", "Restore"
        CLOSE = "close", "Close"

    class Kind(models.TextChoices):
        CAUTION = "caution", "caution"
        CONFIRMATION = "confirmation", "confirmation"
        READING = "reading", "reading"
        TORQUE = "torque", "torque"
        TRACE = "trace", "trace"
        PHOTO = "photo", "photo"
        HOLD_POINT = "hold-point", "hold point"

    class SignalWord(models.TextChoices):
        """Of ANSI Z535.6 and ISO 3864, in their defined sense."""

        DANGER = "danger", "DANGER"
        WARNING = "warning", "WARNING"
        CAUTION = "caution", "CAUTION"
        NOTICE = "notice", "NOTICE"

    class Stage(models.TextChoices):
        AS_FOUND = "as-found", "as-found"
        AS_LEFT = "as-left", "as-left"

    class OptionalWhen(models.TextChoices):
        ALWAYS_NEEDED = "", "always needed"
        AS_FOUND_CONFORMING = "as-found-conforming", "not needed when the as-found verdict is conforming"

    revision = models.ForeignKey(ProcedureRevision, on_delete=models.PROTECT, related_name="steps")
    position = models.PositiveIntegerField()
    phase = models.CharField(max_length=12, choices=Phase.choices)
    kind = models.CharField(max_length=12, choices=Kind.choices)
    title = models.CharField(max_length=160)
    instruction = models.TextField(blank=True)
    signal_word = models.CharField(max_length=10, choices=SignalWord.choices, blank=True)
    hazard = models.CharField(max_length=300, blank=True)
    consequence = models.CharField(max_length=300, blank=True)
    avoidance = models.CharField(max_length=500, blank=True)
    quantity = models.CharField(max_length=60, blank=True, help_text="What is read, such as `torque` or `ring shift`.")
    unit = models.CharField(max_length=10, blank=True, help_text="Stored unit: mm, N·m, °C, deg.")
    low = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    high = models.DecimalField(max_digits=12, decimal_places=4, null=True, blank=True)
    points = models.JSONField(default=list, blank=True, help_text="Where it is read: bolt 1, bolt 2, … Empty: once.")
    instrument_kinds = models.JSONField(default=list, blank=True, help_text="Kinds of instrument that must be named.")
    stage = models.CharField(max_length=10, choices=Stage.choices, blank=True, help_text="Of a trace.")
    skill = models.ForeignKey(Skill, on_delete=models.PROTECT, related_name="+")
    optional_when = models.CharField(max_length=30, choices=OptionalWhen.choices, blank=True)
    planned_minutes = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["revision", "position"]
        constraints = [models.UniqueConstraint(fields=["revision", "position"], name="orders_position_once")]

    def __str__(self) -> str:
        return f"{self.position}. {self.title}"

    @property
    def reading_points(self) -> list[str]:
        """The points at which it is read; one unnamed point when none is named."""
        return list(self.points) or [""]

    @property
    def instrument_kind_labels(self) -> list[str]:
        return [Instrument.Kind(kind).label for kind in self.instrument_kinds]
