"""Errands over HTTP, to watch. The default permissions ask who may look; this room knows no people."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from rest_framework import viewsets

from jobs.errands.models import Errand
from jobs.errands.serializers import ErrandSerializer


class ErrandFilter(django_filters.FilterSet):
    """Errands by state and kind."""

    state = django_filters.MultipleChoiceFilter(choices=Errand.State.choices)
    kind = django_filters.CharFilter()
    sort = django_filters.OrderingFilter(fields=["created_at", "finished_at"])

    class Meta:
        model = Errand
        fields: list[str] = []


class ErrandViewSet(viewsets.ReadOnlyModelViewSet[Errand]):
    """What workers do for the shop, newest first."""

    lookup_value_converter = "uuid"
    queryset = Errand.objects.none()
    serializer_class = ErrandSerializer
    filterset_class = ErrandFilter

    def get_queryset(self) -> QuerySet[Errand]:
        person: Any = self.request.user
        return Errand.objects.filter(chain=person.shop.code).order_by("-created_at", "pk")
