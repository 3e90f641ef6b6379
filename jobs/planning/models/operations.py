"""What a planner states about operations; the operations themselves follow from the procedure's steps."""

from __future__ import annotations

from django.db import models

from jobs.orders.models import Procedure, WorkOrder
from jobs.people.models import Shop


class Estimate(models.Model):
    """The planned minutes of one operation of a procedure in one shop, where they are not those of its steps."""

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="estimates")
    procedure = models.ForeignKey(Procedure, on_delete=models.PROTECT, related_name="estimates")
    operation = models.SlugField(max_length=40, help_text="Code of the operation, such as as-found.")
    minutes = models.PositiveIntegerField()

    class Meta:
        ordering = ["procedure", "operation"]
        constraints = [
            models.UniqueConstraint(fields=["shop", "procedure", "operation"], name="planning_estimate_once")
        ]

    def __str__(self) -> str:
        return f"{self.procedure} {self.operation}: {self.minutes} min"


class CraneUse(models.Model):
    """An operation of a procedure that needs a crane in one shop, from its start to its end.

    What needs the crane depends on the shop's covers, stands and jibs, so it is no part of the issued procedure.
    """

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="crane_uses")
    procedure = models.ForeignKey(Procedure, on_delete=models.PROTECT, related_name="crane_uses")
    operation = models.SlugField(max_length=40, help_text="Code of the operation, such as prepare.")

    class Meta:
        ordering = ["procedure", "operation"]
        constraints = [
            models.UniqueConstraint(fields=["shop", "procedure", "operation"], name="planning_crane_once")
        ]

    def __str__(self) -> str:
        return f"{self.procedure} {self.operation}: crane"


class OperationFacts(models.Model):
    """What holds for one operation of one work order alone: its length, what is left of it, and its pin."""

    work_order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="operation_facts")
    operation = models.SlugField(max_length=40)
    minutes = models.PositiveIntegerField(null=True, blank=True)
    remaining_minutes = models.PositiveIntegerField(
        null=True, blank=True, help_text="Of an operation in hand, as seen at `remaining_seen_at`."
    )
    remaining_seen_at = models.DateTimeField(null=True, blank=True)
    pin_start = models.DateTimeField(null=True, blank=True)
    pin_resources = models.JSONField(default=list, blank=True, help_text="Ids of the planning problem, or empty.")

    class Meta:
        ordering = ["work_order", "operation"]
        constraints = [models.UniqueConstraint(fields=["work_order", "operation"], name="planning_facts_once")]

    def __str__(self) -> str:
        return f"{self.work_order}/{self.operation}"

    @property
    def pinned(self) -> bool:
        return self.pin_start is not None or bool(self.pin_resources)
