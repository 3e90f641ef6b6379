"""Units, engines and engine types over HTTP. The fleet is the railway's: every shop may read it."""

from __future__ import annotations

from typing import Any

import django_filters
from django.shortcuts import get_object_or_404
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.fleet import actions
from jobs.fleet.models import Engine, EngineType, Unit
from jobs.fleet.serializers import (
    AddEngineInput,
    AddUnitInput,
    EngineSerializer,
    EngineTypeSerializer,
    InstallInput,
    RemoveInput,
    UnitSerializer,
)
from jobs.people.shopviews import ShopRecords

KEEP = "keep-fleet"


class UnitFilter(django_filters.FilterSet):
    """Units by running number, class or home shop."""

    number = django_filters.CharFilter()
    unit_class = django_filters.CharFilter()
    home_shop = django_filters.CharFilter(field_name="home_shop__code")
    words = django_filters.CharFilter(field_name="number", lookup_expr="icontains")
    sort = django_filters.OrderingFilter(fields=["number", "unit_class"])

    class Meta:
        model = Unit
        fields: list[str] = []


class EngineFilter(django_filters.FilterSet):
    """Engines by serial number or type."""

    serial = django_filters.CharFilter()
    engine_type = django_filters.CharFilter(field_name="engine_type__code")
    words = django_filters.CharFilter(field_name="serial", lookup_expr="icontains")
    sort = django_filters.OrderingFilter(fields=["serial", "engine_type__code"])

    class Meta:
        model = Engine
        fields: list[str] = []


class UnitViewSet(ShopRecords):
    """The units of the railway."""

    queryset = (
        Unit.objects.select_related("home_shop")
        .prefetch_related("installations__engine", "installations__unit")
        .order_by("number")
    )
    serializer_class = UnitSerializer
    filterset_class = UnitFilter
    requires = {"create": KEEP}
    inputs = {"create": AddUnitInput}

    @extend_schema(responses={201: UnitSerializer})
    def create(self, request: Request) -> Response:
        """Add a unit, at home in the shop."""
        found = actions.add_unit(**self.taken(), home_shop=self.person.shop, by=self.person, at=self.now())
        address = reverse("api:unit-detail", args=[found.pk])
        return Response(UnitSerializer(self.get_queryset().get(pk=found.pk)).data, 201, headers={"Location": address})


class EngineViewSet(ShopRecords):
    """The engines of the railway."""

    queryset = (
        Engine.objects.select_related("engine_type")
        .prefetch_related("installations__unit", "installations__engine")
        .order_by("serial")
    )
    serializer_class = EngineSerializer
    filterset_class = EngineFilter
    requires = {"create": KEEP, "install": KEEP, "remove": KEEP}
    inputs = {"create": AddEngineInput, "install": InstallInput, "remove": RemoveInput}

    @extend_schema(responses={201: EngineSerializer})
    def create(self, request: Request) -> Response:
        """Add an engine; it is in no unit yet."""
        found = actions.add_engine(**self.taken(), by=self.person, at=self.now(), shop=self.person.shop)
        address = reverse("api:engine-detail", args=[found.pk])
        return Response(self._shown(found.pk), 201, headers={"Location": address})

    @extend_schema(responses=EngineSerializer)
    @action(detail=True, methods=["post"])
    def install(self, request: Request, pk: int) -> Response:
        """Record that it was put into a unit."""
        engine = get_object_or_404(Engine, pk=pk)
        actions.install_engine(engine, **self.taken(), by=self.person, at=self.now(), shop=self.person.shop)
        return Response(self._shown(pk))

    @extend_schema(responses=EngineSerializer)
    @action(detail=True, methods=["post"])
    def remove(self, request: Request, pk: int) -> Response:
        """Record that it was taken out of its unit."""
        engine = get_object_or_404(Engine, pk=pk)
        actions.remove_engine(engine, **self.taken(), by=self.person, at=self.now(), shop=self.person.shop)
        return Response(self._shown(pk))

    def _shown(self, pk: int) -> dict[str, Any]:
        shown: dict[str, Any] = EngineSerializer(self.get_queryset().get(pk=pk)).data
        return shown


class EngineTypeViewSet(ShopRecords):
    """The engine types, with every revision."""

    queryset = EngineType.objects.prefetch_related("revisions").order_by("code")
    serializer_class = EngineTypeSerializer
