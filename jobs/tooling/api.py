"""Instruments and calibrations over HTTP."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.people.shopviews import ShopRecords
from jobs.tooling import actions, queries
from jobs.tooling.models import Calibration, Instrument
from jobs.tooling.serializers import (
    AddInstrumentInput,
    CalibrationInput,
    CalibrationSerializer,
    InstrumentSerializer,
    WhyInput,
)

KEEP = "keep-instruments"


class InstrumentFilter(django_filters.FilterSet):
    """`due_before` gives what falls due before a day; `asset_number` is exact, `words` is not."""

    kind = django_filters.ChoiceFilter(choices=Instrument.Kind.choices)
    state = django_filters.ChoiceFilter(choices=Instrument.State.choices)
    asset_number = django_filters.CharFilter()
    due_before = django_filters.DateFilter(field_name="due_on", lookup_expr="lt")
    due_from = django_filters.DateFilter(field_name="due_on", lookup_expr="gte")
    words = django_filters.CharFilter(field_name="asset_number", lookup_expr="icontains")
    sort = django_filters.OrderingFilter(fields=["asset_number", "kind", "due_on", "state"])

    class Meta:
        model = Instrument
        fields: list[str] = []


class CalibrationFilter(django_filters.FilterSet):
    """Calibrations of an instrument, by asset number, or by date and verdict."""

    instrument = django_filters.CharFilter(field_name="instrument__asset_number")
    performed_from = django_filters.DateFilter(field_name="performed_on", lookup_expr="gte")
    performed_before = django_filters.DateFilter(field_name="performed_on", lookup_expr="lt")
    as_found = django_filters.ChoiceFilter(choices=Calibration.Verdict.choices)
    as_left = django_filters.ChoiceFilter(choices=Calibration.Verdict.choices)
    sort = django_filters.OrderingFilter(fields=["performed_on", "valid_until", "recorded_at"])

    class Meta:
        model = Calibration
        fields: list[str] = []


class InstrumentViewSet(ShopRecords):
    """The instruments of the shop, the soonest due first."""

    queryset = Instrument.objects.none()
    serializer_class = InstrumentSerializer
    filterset_class = InstrumentFilter
    requires = {"create": KEEP, "withdraw": KEEP, "put_back": KEEP, "calibrations": KEEP}
    inputs = {
        "create": AddInstrumentInput,
        "withdraw": WhyInput,
        "put_back": WhyInput,
        "calibrations": CalibrationInput,
    }

    def get_queryset(self) -> QuerySet[Instrument]:
        return queries.instruments_of(self.person)

    @extend_schema(responses={201: InstrumentSerializer})
    def create(self, request: Request) -> Response:
        """Add an instrument; it may be used once a calibration is recorded."""
        values = self.taken()
        found = actions.add_instrument(shop=self.person.shop, **values, by=self.person, at=self.now())
        address = reverse("api:instrument-detail", args=[found.pk])
        return Response(self._shown(found.pk), status=201, headers={"Location": address})

    @extend_schema(responses=InstrumentSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: int) -> Response:
        """Take it out of use, with a reason."""
        instrument = queries.instrument_for(self.person, pk)
        actions.withdraw_instrument(instrument, **self.taken(), by=self.person, at=self.now())
        return Response(self._shown(pk))

    @extend_schema(responses=InstrumentSerializer)
    @action(detail=True, methods=["post"], url_path="return", url_name="return")
    def put_back(self, request: Request, pk: int) -> Response:
        """Put a withdrawn one back to use, with a reason."""
        instrument = queries.instrument_for(self.person, pk)
        actions.return_instrument(instrument, **self.taken(), by=self.person, at=self.now())
        return Response(self._shown(pk))

    @extend_schema(responses={201: CalibrationSerializer})
    @action(detail=True, methods=["post"])
    def calibrations(self, request: Request, pk: int) -> Response:
        """Record a calibration; the newest one sets the due date."""
        instrument = queries.instrument_for(self.person, pk)
        found = actions.record_calibration(instrument, **self.taken(), by=self.person, at=self.now())
        shown = CalibrationSerializer(queries.calibration_for(self.person, found.pk)).data
        address = reverse("api:calibration-detail", args=[found.pk])
        return Response(shown, status=201, headers={"Location": address})

    def _shown(self, pk: int) -> dict[str, Any]:
        shown: dict[str, Any] = InstrumentSerializer(queries.instrument_for(self.person, pk)).data
        return shown


class CalibrationViewSet(ShopRecords):
    """The calibrations of the shop's instruments, newest first."""

    queryset = Calibration.objects.none()
    serializer_class = CalibrationSerializer
    filterset_class = CalibrationFilter

    def get_queryset(self) -> QuerySet[Calibration]:
        calibrations = Calibration.objects.filter(instrument__shop=self.person.shop_id)
        return calibrations.select_related("instrument", "recorded_by").order_by("-performed_on", "-pk")
