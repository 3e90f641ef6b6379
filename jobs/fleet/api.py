"""Units, engines and engine types over HTTP, to read. The fleet is the railway's: every shop may read it."""

from __future__ import annotations

import django_filters

from jobs.fleet.models import Engine, EngineType, Unit
from jobs.fleet.serializers import EngineSerializer, EngineTypeSerializer, UnitSerializer
from jobs.people.shopviews import ShopRecords


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


class EngineViewSet(ShopRecords):
    """The engines of the railway."""

    queryset = (
        Engine.objects.select_related("engine_type")
        .prefetch_related("installations__unit", "installations__engine")
        .order_by("serial")
    )
    serializer_class = EngineSerializer
    filterset_class = EngineFilter


class EngineTypeViewSet(ShopRecords):
    """The engine types, with every revision."""

    queryset = EngineType.objects.prefetch_related("revisions").order_by("code")
    serializer_class = EngineTypeSerializer
