"""Who or what is not there, from when and for how long: leave, illness, a bay that is closed, an instrument away."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from jobs.people.models import Person, Shop
from jobs.planning.models.places import Place
from jobs.tooling.models import Instrument


class Absence(models.Model):
    """A person, place or instrument that cannot be planned with from an instant until an instant.

    Never deleted: one that was wrong is withdrawn, with who and when. `uid` is the identification of an imported
    entry (RFC 5545 `UID`, or the line's own key in a CSV), so that an import made twice doubles nothing.
    """

    class Source(models.TextChoices):
        ENTERED = "entered", "entered"
        CSV = "csv", "imported from CSV"
        ICALENDAR = "icalendar", "imported from iCalendar"

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="absences")
    person = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="absences")
    place = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="absences")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, null=True, blank=True, related_name="absences")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField(null=True, blank=True, help_text="Empty: until further notice.")
    reason = models.CharField(max_length=120, blank=True)
    source = models.CharField(max_length=12, choices=Source.choices, default=Source.ENTERED)
    uid = models.CharField(max_length=255, blank=True)
    entered_by = models.ForeignKey(
        Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+", help_text="Empty: at set-up."
    )
    entered_at = models.DateTimeField(default=timezone.now)
    withdrawn_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    withdrawn_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["starts_at", "id"]
        indexes = [models.Index(fields=["shop", "starts_at"], name="planning_absences")]
        constraints = [
            models.CheckConstraint(
                condition=(
                    Q(person__isnull=False, place__isnull=True, instrument__isnull=True)
                    | Q(person__isnull=True, place__isnull=False, instrument__isnull=True)
                    | Q(person__isnull=True, place__isnull=True, instrument__isnull=False)
                ),
                name="planning_absence_of_one",
            ),
            models.CheckConstraint(
                condition=Q(ends_at__isnull=True) | Q(ends_at__gt=F("starts_at")), name="planning_absence_order"
            ),
            models.UniqueConstraint(
                fields=["shop", "uid"],
                condition=~Q(uid="") & Q(withdrawn_at__isnull=True),
                name="planning_absence_uid_once",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.subject} from {self.starts_at:%Y-%m-%d %H:%M}"

    @property
    def subject(self) -> Person | Place | Instrument:
        found: Person | Place | Instrument | None = self.person or self.place or self.instrument
        assert found is not None
        return found
