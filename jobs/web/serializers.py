"""How values look on the API: instants in UTC, decimals as exact strings, input without surprises."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from django.db import models
from django.utils.dateparse import parse_datetime
from rest_framework import serializers

CSRF_FIELD = "csrfmiddlewaretoken"


class Instant(serializers.DateTimeField):
    """An instant, RFC 3339: given out in UTC, taken in with any offset, refused without one."""

    default_error_messages = {
        "no_offset": "Write the instant with its offset from UTC, such as 2026-03-14T09:20:05+01:00 or …Z."
    }

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("default_timezone", UTC)
        super().__init__(**kwargs)

    def to_internal_value(self, value: Any) -> datetime:
        if isinstance(value, str):
            try:
                found = parse_datetime(value)
            except ValueError:
                found = None
            if found is not None and found.tzinfo is None:
                self.fail("no_offset")
        instant: datetime = super().to_internal_value(value)
        return instant


class Exact(serializers.DecimalField):
    """A decimal as a string, without the zeros that only the column has."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{**kwargs, "coerce_to_string": True, "normalize_output": True})


class Named(serializers.SlugRelatedField[Any]):
    """Something else, by the name that people know it by; read only."""

    def __init__(self, slug_field: str, **kwargs: Any) -> None:
        super().__init__(slug_field=slug_field, **{"read_only": True, **kwargs})


class Key(serializers.PrimaryKeyRelatedField[Any]):
    """Something else, by its id; read only."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**{"read_only": True, **kwargs})


class RecordSerializer(serializers.ModelSerializer[Any]):
    """A stored record, read only; writing is done by actions."""

    serializer_field_mapping = {
        **serializers.ModelSerializer.serializer_field_mapping,
        models.DateTimeField: Instant,
        models.DecimalField: Exact,
    }

    def include_extra_kwargs(self, kwargs: Any, extra_kwargs: Any) -> Any:
        return super().include_extra_kwargs(kwargs, {**extra_kwargs, "read_only": True})


class Input(serializers.Serializer[Any]):
    """What an action takes. A field it does not know is a misspelling, and refused."""

    def to_internal_value(self, data: Any) -> Any:
        if hasattr(data, "keys"):
            unknown = sorted(set(data.keys()) - set(self.fields) - {CSRF_FIELD})
            if unknown:
                known = ", ".join(sorted(self.fields)) or "none"
                raise serializers.ValidationError(
                    {name: f"There is no field {name} here; the fields are: {known}." for name in unknown},
                    code="unknown-field",
                )
        return super().to_internal_value(data)


class Nothing(Input):
    """The input of an action that takes no values."""
