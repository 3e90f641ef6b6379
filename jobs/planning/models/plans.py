"""Plans: what was asked of the planner, what came of it, and the versions that were accepted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import models
from django.db.models import Q
from django.utils import timezone

from jobs.errands.models import Errand
from jobs.people.models import Person, Shop

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager


class Planning(models.Model):
    """One asking for a plan: when and why, the problem as it stood then, and the alternatives found."""

    class Purpose(models.TextChoices):
        PLAN = "plan", "a new plan"
        REPLAN = "replan", "a plan around what has changed"

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="plannings")
    purpose = models.CharField(max_length=10, choices=Purpose.choices)
    why = models.CharField(max_length=300, blank=True, help_text="What went wrong, in a sentence.")
    asked_by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField(default=timezone.now)
    seconds = models.FloatField(default=5.0)
    problem = models.JSONField(null=True, blank=True, help_text="In the contract of the planner.")
    names = models.JSONField(default=dict, help_text="What the ids of the problem are called.")
    marks = models.JSONField(default=dict, help_text="A short digest of each fact, by the fact's words.")
    before = models.JSONField(default=dict, help_text="The end of each order on the board when this was asked.")
    based_on = models.ForeignKey("planning.Plan", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    errand = models.ForeignKey(Errand, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    finished_at = models.DateTimeField(null=True, blank=True)
    failure = models.TextField(blank=True)

    if TYPE_CHECKING:
        plans: RelatedManager[Plan]

    class Meta:
        ordering = ["-asked_at", "-id"]
        indexes = [models.Index(fields=["shop", "-asked_at"], name="planning_newest")]

    @property
    def told_why(self) -> str:
        """Why it was asked for, as a sentence: planners end theirs with a full stop or not."""
        return self.why if not self.why or self.why[-1] in ".!?" else f"{self.why}."

    def __str__(self) -> str:
        return f"{self.Purpose(self.purpose).label}, asked {self.asked_at:%Y-%m-%d %H:%M}"


class Plan(models.Model):
    """One solution: an alternative until it is accepted, a numbered version of the shop's plan from then on."""

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="plans")
    planning = models.ForeignKey(Planning, on_delete=models.PROTECT, null=True, blank=True, related_name="plans")
    based_on = models.ForeignKey("self", on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    title = models.CharField(max_length=80)
    problem = models.JSONField(help_text="The facts it was made from and checked against.")
    names = models.JSONField(default=dict)
    plan = models.JSONField(help_text="In the contract of the planner.")
    cost = models.JSONField(default=dict, help_text="What it costs against the plan before.")
    marks = models.JSONField(default=dict, help_text="As those of the planning it came from.")
    made_at = models.DateTimeField(default=timezone.now)
    version = models.PositiveIntegerField(null=True, blank=True)
    accepted_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    accepted_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)

    if TYPE_CHECKING:
        changes: RelatedManager[Change]

    class Meta:
        ordering = ["-version", "-made_at", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["shop", "version"], condition=Q(version__isnull=False), name="planning_version_once"
            ),
            models.CheckConstraint(
                condition=Q(version__isnull=True, accepted_at__isnull=True)
                | Q(version__isnull=False, accepted_at__isnull=False),
                name="planning_version_is_accepted",
            ),
        ]

    def __str__(self) -> str:
        return f"Plan {self.version}" if self.version else self.title


class Change(models.Model):
    """One move by hand on the shop's board, on top of a version; taken back by `undone_at`, never deleted."""

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="plan_changes")
    base = models.ForeignKey(Plan, on_delete=models.PROTECT, related_name="changes")
    sequence = models.PositiveIntegerField()
    operation = models.CharField(max_length=80, help_text="Id of the planning problem.")
    what = models.CharField(max_length=20, help_text="move, pin, unpin, extend.")
    before = models.JSONField()  # `bookings` and `facts` of operations as they stood
    after = models.JSONField()  # the same as they stand since
    by = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    undone_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    undone_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["base", "sequence"]
        constraints = [models.UniqueConstraint(fields=["base", "sequence"], name="planning_change_once")]

    def __str__(self) -> str:
        return f"{self.what} {self.operation}"


class Watcher(models.Model):
    """A planner who has the board open: when the page asked last, and which operation they hold."""

    person = models.OneToOneField(Person, on_delete=models.CASCADE, related_name="+")
    at = models.DateTimeField()
    holding = models.CharField(max_length=80, blank=True)

    def __str__(self) -> str:
        return str(self.person)
