"""Links under which a calendar program fetches the plan of a bay, a person or a unit."""

from __future__ import annotations

from django.db import models
from django.utils import timezone

from jobs.people.models import Person


class Feed(models.Model):
    """A person's link to the calendar of one subject; renewing raises `issue`, which makes the old link worthless."""

    class Kind(models.TextChoices):
        PLACE = "place", "bay or crane"
        PERSON = "person", "person"
        UNIT = "unit", "unit"

    owner = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="plan_feeds")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    key = models.CharField(max_length=40, help_text="Primary key of the bay, person or unit.")
    issue = models.PositiveIntegerField(default=1)
    renewed_at = models.DateTimeField(default=timezone.now)

    class Meta:
        ordering = ["owner", "kind", "key"]
        constraints = [models.UniqueConstraint(fields=["owner", "kind", "key"], name="planning_feed_once")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.key}"
