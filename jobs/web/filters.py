"""Values of filters that a database can be asked about: numbers of rows, instants, days."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

import django_filters
from django import forms
from django.core.exceptions import ValidationError
from django_filters.fields import IsoDateTimeField

LARGEST_ID = 2**63 - 1
# A day that has one before and one after it in every time zone.
FIRST_DAY, LAST_DAY = date(1, 1, 3), date(9999, 12, 29)


class _InstantField(IsoDateTimeField):
    def to_python(self, value: Any) -> datetime | None:
        instant: datetime | None = super().to_python(value)
        try:
            return instant.astimezone(UTC) if instant is not None else None
        except OverflowError:
            raise ValidationError("This instant is out of range.", code="invalid") from None


class _DayField(forms.DateField):
    def to_python(self, value: Any) -> date | None:
        day: date | None = super().to_python(value)
        if day is not None and not FIRST_DAY <= day <= LAST_DAY:
            raise ValidationError("This day is out of range.", code="invalid")
        return day


class IdFilter(django_filters.NumberFilter):
    """Something by its number; no larger one than a database can hold."""

    field_class = forms.IntegerField

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **{"min_value": 0, "max_value": LARGEST_ID, **kwargs})

    def get_max_validator(self) -> None:
        return None  # the field's own bound is the narrower one


class InstantFilter(django_filters.IsoDateTimeFilter):
    """An instant that is one in UTC too."""

    field_class = _InstantField


class DayFilter(django_filters.DateFilter):
    """A day that begins and ends in every time zone."""

    field_class = _DayField
