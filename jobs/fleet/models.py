"""Units, engines, and what an engine of a type looks like and asks for, in immutable revisions."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from jobs.fleet.datums import in_words
from jobs.people.models import Person, Shop

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


class Unit(models.Model):
    """A locomotive, by its running number."""

    number = models.CharField(max_length=20, unique=True)
    unit_class = models.CharField("class", max_length=20)
    home_shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="units")

    if TYPE_CHECKING:
        installations: RelatedManager[Installation]

    class Meta:
        ordering = ["number"]

    def __str__(self) -> str:
        return self.number


class EngineType(models.Model):
    """A make-up of engine; what counts about it is in its numbered revisions."""

    code = models.SlugField(max_length=20, unique=True)
    title = models.CharField(max_length=120)

    if TYPE_CHECKING:
        revisions: RelatedManager[EngineTypeRevision]

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class EngineTypeRevision(models.Model):
    """Immutable once issued: cycle, cylinders, rotation with its viewing end, datum and timing spec."""

    class Cycle(models.IntegerChoices):
        TWO_STROKE = 2, "two-stroke"
        FOUR_STROKE = 4, "four-stroke"

    class Layout(models.TextChoices):
        IN_LINE = "in-line", "in line"
        VEE = "vee", "V"

    class Convention(models.TextChoices):
        ISO_1204 = "iso-1204", "ISO 1204"
        MAKER = "maker", "the maker's own"

    class Rotation(models.TextChoices):
        CLOCKWISE = "clockwise", "clockwise"
        ANTICLOCKWISE = "anticlockwise", "anticlockwise"

    class ViewingEnd(models.TextChoices):
        DRIVING = "driving-end", "driving end"
        FREE = "free-end", "end opposite the driving end"

    engine_type = models.ForeignKey(EngineType, on_delete=models.PROTECT, related_name="revisions")
    number = models.PositiveIntegerField()
    issued_at = models.DateTimeField(null=True, blank=True)
    issued_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    cycle = models.PositiveSmallIntegerField(choices=Cycle.choices)
    layout = models.CharField(max_length=10, choices=Layout.choices)
    cylinders = models.PositiveSmallIntegerField()
    firing_order = models.CharField(max_length=120)
    convention = models.CharField(max_length=10, choices=Convention.choices)
    rotation = models.CharField(max_length=15, choices=Rotation.choices)
    viewing_end = models.CharField(max_length=15, choices=ViewingEnd.choices)
    reference_cylinder = models.CharField(max_length=20)
    datum_note = models.CharField(max_length=200, help_text="Where the probe goes, in words.")
    hysteresis_limit_deg = models.FloatField(help_text="Permitted forward minus reverse, crank degrees.")
    spec = models.JSONField(help_text="Timing spec of the analysis contract.")
    change_note = models.TextField(blank=True)

    class Meta:
        ordering = ["engine_type", "-number"]
        constraints = [models.UniqueConstraint(fields=["engine_type", "number"], name="fleet_revision_once")]

    def __str__(self) -> str:
        return f"{self.engine_type.code} revision {self.number}"

    @property
    def title(self) -> str:
        return f"{self.engine_type.code} revision {self.number}"

    @property
    def datum_in_words(self) -> str:
        """The datum of the timing spec with its figures."""
        return in_words(self.spec)

    def save(self, *args: Any, **kwargs: Any) -> None:
        if self.pk and EngineTypeRevision.objects.filter(pk=self.pk, issued_at__isnull=False).exists():
            raise TypeError(f"{self} is issued; an issued revision is never changed, a new one is made")
        super().save(*args, **kwargs)


class Engine(models.Model):
    """One diesel engine, by serial number."""

    serial = models.CharField(max_length=40, unique=True)
    engine_type = models.ForeignKey(EngineType, on_delete=models.PROTECT, related_name="engines")

    if TYPE_CHECKING:
        installations: RelatedManager[Installation]

    class Meta:
        ordering = ["serial"]

    def __str__(self) -> str:
        return self.serial


class Installation(models.Model):
    """An engine in a unit, from a day until a day."""

    engine = models.ForeignKey(Engine, on_delete=models.PROTECT, related_name="installations")
    unit = models.ForeignKey(Unit, on_delete=models.PROTECT, related_name="installations")
    from_on = models.DateField()
    until_on = models.DateField(null=True, blank=True)
    recorded_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["-from_on"]
        constraints = [
            models.UniqueConstraint(
                fields=["engine"], condition=Q(until_on__isnull=True), name="fleet_engine_in_one_unit"
            ),
            models.UniqueConstraint(fields=["unit"], condition=Q(until_on__isnull=True), name="fleet_unit_one_engine"),
            models.CheckConstraint(
                condition=Q(until_on__isnull=True) | Q(until_on__gte=F("from_on")), name="fleet_installation_order"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.engine} in {self.unit}"

    def covers(self, day: date) -> bool:
        return self.from_on <= day and (self.until_on is None or day <= self.until_on)
