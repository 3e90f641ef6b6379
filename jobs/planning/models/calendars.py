"""When people work: patterns of shifts over one or more weeks, who works which pattern, and the days without shifts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from jobs.people.models import DatedGrant, Person, Shop

if TYPE_CHECKING:
    from django.db.models.fields.related_descriptors import RelatedManager

MINUTES_A_DAY = 24 * 60


class ShiftPattern(models.Model):
    """Shifts that come again after `weeks` weeks; week 1 begins on the Monday that a rota names."""

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="shift_patterns")
    name = models.CharField(max_length=60)
    weeks = models.PositiveSmallIntegerField(default=1, validators=[MinValueValidator(1), MaxValueValidator(12)])

    if TYPE_CHECKING:
        spans: RelatedManager[ShiftSpan]

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["shop", "name"], name="planning_pattern_once"),
            models.CheckConstraint(condition=Q(weeks__gte=1) & Q(weeks__lte=12), name="planning_pattern_weeks"),
        ]

    def __str__(self) -> str:
        return self.name


class ShiftSpan(models.Model):
    """One shift of a pattern: a start on the shop's clock and a length.

    Start and length, not start and end: a night shift runs past midnight, and on the two nights of a clock change
    the clock on the wall tells an hour more or less when it is over.
    """

    class Weekday(models.IntegerChoices):
        MONDAY = 0, "Monday"
        TUESDAY = 1, "Tuesday"
        WEDNESDAY = 2, "Wednesday"
        THURSDAY = 3, "Thursday"
        FRIDAY = 4, "Friday"
        SATURDAY = 5, "Saturday"
        SUNDAY = 6, "Sunday"

    pattern = models.ForeignKey(ShiftPattern, on_delete=models.CASCADE, related_name="spans")
    week = models.PositiveSmallIntegerField(default=1)
    weekday = models.PositiveSmallIntegerField(choices=Weekday.choices)
    starts = models.TimeField()
    minutes = models.PositiveIntegerField(validators=[MinValueValidator(1), MaxValueValidator(MINUTES_A_DAY)])

    class Meta:
        ordering = ["pattern", "week", "weekday", "starts"]
        constraints = [
            models.UniqueConstraint(fields=["pattern", "week", "weekday", "starts"], name="planning_span_once"),
            models.CheckConstraint(
                condition=Q(weekday__lte=6) & Q(week__gte=1) & Q(minutes__gte=1) & Q(minutes__lte=MINUTES_A_DAY),
                name="planning_span_in_range",
            ),
        ]

    def __str__(self) -> str:
        return f"week {self.week}, {self.Weekday(self.weekday).label} {self.starts:%H:%M}, {self.minutes} min"


class Rota(DatedGrant):
    """Which pattern a person works, from a day until a day; `valid_from` lies in the pattern's week `first_week`."""

    person = models.ForeignKey(Person, on_delete=models.PROTECT, related_name="rotas")
    pattern = models.ForeignKey(ShiftPattern, on_delete=models.PROTECT, related_name="rotas")
    first_week = models.PositiveSmallIntegerField(default=1)

    class Meta:
        ordering = ["person", "valid_from"]
        constraints = [
            models.UniqueConstraint(fields=["person", "valid_from"], name="planning_rota_once"),
            models.CheckConstraint(
                condition=Q(valid_until__isnull=True) | Q(valid_until__gte=F("valid_from")),
                name="planning_rota_order",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person}: {self.pattern}"


class Holiday(models.Model):
    """A day on which no shift of the shop begins."""

    shop = models.ForeignKey(Shop, on_delete=models.PROTECT, related_name="holidays")
    day = models.DateField()
    name = models.CharField(max_length=80)

    class Meta:
        ordering = ["day"]
        constraints = [models.UniqueConstraint(fields=["shop", "day"], name="planning_holiday_once")]

    def __str__(self) -> str:
        return f"{self.day:%Y-%m-%d} {self.name}"
