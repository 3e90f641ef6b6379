"""The base of every API view of a shop's things: who asks, when, and answers that can be asked for twice."""

from __future__ import annotations

from datetime import datetime
from typing import Any, ClassVar, cast
from uuid import UUID

from django.urls import reverse
from django.utils import timezone
from rest_framework import generics, mixins, viewsets
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.request import Request

from jobs.people.idempotency import KeepsAnswers
from jobs.people.models import Person
from jobs.web.bodies import check_length, fields_limit
from jobs.web.serializers import Input

# What the parts of a multipart body cost beside the file itself.
ENVELOPE_BYTES = 64 * 1024


class OfShop(KeepsAnswers):
    """Shared by views and view sets.

    Two tables, keyed by the name of a view set's action or else the method in small letters: `requires` names
    the policy of every write (see `permissions.MayAct`), `inputs` what it takes (shown in the schema too).
    """

    requires: ClassVar[dict[str, str]] = {}
    inputs: ClassVar[dict[str, type[Input]]] = {}

    @property
    def person(self) -> Person:
        return cast(Person, self.request.user)

    def now(self) -> datetime:
        return timezone.now()

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        check_length(request._request, self.body_limit())
        super().initial(request, *args, **kwargs)

    def body_limit(self) -> int:
        """Most bytes a body may have here; more is refused before it is read."""
        return fields_limit()

    def taken(self) -> dict[str, Any]:
        """The values sent, checked for their types; raises `ValidationError` (422)."""
        name = getattr(self, "action", None) or str(self.request.method).lower()
        context = {"request": self.request, "person": self.person}
        found = self.inputs[name](data=self.request.data, context=context)
        found.is_valid(raise_exception=True)
        values: dict[str, Any] = found.validated_data
        return values


def errand_address(errand: UUID) -> str:
    """Where to watch a worker do it."""
    return reverse("api:errand-detail", args=[errand])


class AnyMedia(DefaultContentNegotiation):
    """For answers that are files: whatever the client asks for, it gets the file or problem details."""

    def select_renderer(self, request: Any, renderers: Any, format_suffix: Any = None) -> Any:
        return renderers[0], renderers[0].media_type


class ShopView(OfShop, generics.GenericAPIView[Any]):
    """A view of one address."""


class ShopViewSet(OfShop, viewsets.GenericViewSet[Any]):
    """A set of actions on one noun."""

    lookup_value_converter = "int"


class ShopRecords(mixins.ListModelMixin, mixins.RetrieveModelMixin, ShopViewSet):
    """A noun that can be listed and looked at; `get_queryset` gives the shop's own."""
