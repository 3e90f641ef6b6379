"""The history's filters, all in the address, so that a view can be sent to a colleague."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import django_filters
from django import forms
from django.db.models import QuerySet
from django.utils import timezone

from jobs.ledger import kinds
from jobs.ledger.models import Entry
from jobs.web.filters import DayFilter


def day_starts(day: date) -> datetime:
    """Midnight of a day in the zone in force, which the middleware sets to the shop's."""
    return timezone.make_aware(datetime.combine(day, time.min))


class HistoryFilter(django_filters.FilterSet):
    """A group of kinds; days in the shop's zone, both inclusive; words in name and sentence; one kind."""

    group = django_filters.MultipleChoiceFilter(
        method="of_groups", label="What", choices=list(kinds.GROUPS.items()), widget=forms.CheckboxSelectMultiple
    )
    from_day = DayFilter(
        method="since", label="From", widget=forms.DateInput(attrs={"type": "date"})
    )
    until_day = DayFilter(
        method="until", label="Until", widget=forms.DateInput(attrs={"type": "date"})
    )
    who = django_filters.CharFilter(
        field_name="actor_name", lookup_expr="icontains", label="Who", widget=forms.TextInput(attrs={"size": 12})
    )
    words = django_filters.CharFilter(
        field_name="sentence", lookup_expr="icontains", label="Words", widget=forms.TextInput(attrs={"size": 12})
    )
    kind = django_filters.ChoiceFilter(
        field_name="kind",
        label="Kind of entry",
        empty_label="every kind",
        choices=lambda: [(kind.code, kind.title) for kind in kinds.every()],
    )

    class Meta:
        model = Entry
        fields: list[str] = []

    def since(self, entries: QuerySet[Entry], name: str, day: date) -> QuerySet[Entry]:
        return entries.filter(at__gte=day_starts(day))

    def until(self, entries: QuerySet[Entry], name: str, day: date) -> QuerySet[Entry]:
        return entries.filter(at__lt=day_starts(day + timedelta(days=1)))

    def of_groups(self, entries: QuerySet[Entry], name: str, groups: list[str]) -> QuerySet[Entry]:
        if not groups:
            return entries
        return entries.filter(kind__in=[code for group in groups for code in kinds.of_group(group)])
