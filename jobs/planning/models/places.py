"""Where work is done: the bays of a shop and its cranes."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q

from jobs.people.models import Shop
from jobs.planning.models.calendars import ShiftPattern


class Place(models.Model):
    """A bay or a crane; one order at a time. Without a pattern it is open at every hour."""

    class Kind(models.TextChoices):
        BAY = "bay", "bay"
        CRANE = "crane", "crane"

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="places")
    kind = models.CharField(max_length=10, choices=Kind.choices, default=Kind.BAY)
    name = models.CharField(max_length=40)
    pattern = models.ForeignKey(ShiftPattern, on_delete=models.PROTECT, null=True, blank=True, related_name="places")
    usable_from = models.DateField(null=True, blank=True)
    usable_until = models.DateField(null=True, blank=True, help_text="Last day; empty while it stays.")
    position = models.PositiveIntegerField(default=0, help_text="Its line on the board, from the top.")

    class Meta:
        ordering = ["kind", "position", "name"]
        constraints = [
            models.UniqueConstraint(fields=["shop", "name"], name="planning_place_once"),
            models.CheckConstraint(
                condition=Q(usable_from__isnull=True)
                | Q(usable_until__isnull=True)
                | Q(usable_until__gte=F("usable_from")),
                name="planning_place_order",
            ),
        ]

    def __str__(self) -> str:
        return self.name
