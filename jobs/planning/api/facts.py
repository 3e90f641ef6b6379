"""What a plan stands on over HTTP: absences, places, shift patterns, rotas, days without shifts."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import Q, QuerySet
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.errors import BadInput, Reason
from jobs.people.shopviews import ShopRecords
from jobs.planning import facts, naming
from jobs.planning.actions import absences, calendars, places
from jobs.planning.api.serializers import (
    AbsenceSerializer,
    AddHolidayInput,
    AddPatternInput,
    AddPlaceInput,
    EnterAbsenceInput,
    GiveRotaInput,
    HolidaySerializer,
    PlaceSerializer,
    RotaSerializer,
    ShiftPatternSerializer,
)
from jobs.planning.models import Absence, Holiday, Place, Rota, ShiftPattern
from jobs.web.serializers import Nothing

SEE, KEEP, ENTER = "see-plan", "keep-calendars", "enter-absence"
READS = {"list": SEE, "retrieve": SEE}


class AbsenceFilter(django_filters.FilterSet):
    """`since` and `until` give those that touch the time between; `withdrawn` those that are, or are not."""

    person = django_filters.CharFilter(field_name="person__username")
    place = django_filters.CharFilter(field_name="place__name")
    instrument = django_filters.CharFilter(field_name="instrument__asset_number")
    since = django_filters.IsoDateTimeFilter(method="touching_since")
    until = django_filters.IsoDateTimeFilter(field_name="starts_at", lookup_expr="lt")
    withdrawn = django_filters.BooleanFilter(field_name="withdrawn_at", lookup_expr="isnull", exclude=True)
    sort = django_filters.OrderingFilter(fields=["starts_at", "ends_at", "entered_at"])

    class Meta:
        model = Absence
        fields: list[str] = []

    def touching_since(self, rows: QuerySet[Absence], name: str, value: Any) -> QuerySet[Absence]:
        return rows.filter(Q(ends_at__isnull=True) | Q(ends_at__gt=value))


class FactRecords(ShopRecords):
    """A fact that is added; what is shown after a write is what a reading would show."""

    def shown(self, one: Any, status: int = 200) -> Response:
        data = self.get_serializer(one).data
        if status != 201:
            return Response(data)
        address = reverse(f"api:{self.basename}-detail", args=[one.pk])
        return Response(data, status=201, headers={"Location": address})


class AbsenceViewSet(FactRecords):
    """Who and what is away when, those withdrawn among them, the newest start first."""

    queryset = Absence.objects.none()
    serializer_class = AbsenceSerializer
    filterset_class = AbsenceFilter
    requires = {**READS, "create": ENTER, "withdraw": ENTER}
    inputs = {"create": EnterAbsenceInput, "withdraw": Nothing}

    def get_queryset(self) -> QuerySet[Absence]:
        return facts.absences_of(self.person)

    @extend_schema(responses={201: AbsenceSerializer})
    def create(self, request: Request) -> Response:
        """Enter that somebody or something is away."""
        values = self.taken()
        shop = self.person.shop
        try:
            who = naming.of_shop(shop).find(values.pop("who"))
        except naming.NotFound as refused:
            raise BadInput([Reason("who", str(refused), "who")]) from None
        found = absences.enter_absence(shop=shop, who=who, **values, by=self.person, at=self.now())
        return self.shown(facts.absence_for(self.person, found.pk), 201)

    @extend_schema(responses=AbsenceSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: int) -> Response:
        """Withdraw one that was wrong or is over; it stays on record."""
        self.taken()
        absences.withdraw_absence(facts.absence_for(self.person, pk), by=self.person, at=self.now())
        return self.shown(facts.absence_for(self.person, pk))


class PlaceViewSet(FactRecords):
    """The bays and cranes of the shop."""

    queryset = Place.objects.none()
    serializer_class = PlaceSerializer
    requires = {**READS, "create": KEEP}
    inputs = {"create": AddPlaceInput}

    def get_queryset(self) -> QuerySet[Place]:
        return facts.places_of(self.person)

    @extend_schema(responses={201: PlaceSerializer})
    def create(self, request: Request) -> Response:
        """Add a bay or crane."""
        values = self.taken()
        return self.shown(places.add_place(shop=self.person.shop, **values, by=self.person, at=self.now()), 201)


class ShiftPatternViewSet(FactRecords):
    """The shift patterns of the shop."""

    queryset = ShiftPattern.objects.none()
    serializer_class = ShiftPatternSerializer
    requires = {**READS, "create": KEEP}
    inputs = {"create": AddPatternInput}

    def get_queryset(self) -> QuerySet[ShiftPattern]:
        return facts.patterns_of(self.person)

    @extend_schema(responses={201: ShiftPatternSerializer})
    def create(self, request: Request) -> Response:
        """Add a pattern; shifts that overlap are refused with their places."""
        values = self.taken()
        return self.shown(calendars.add_pattern(shop=self.person.shop, **values, by=self.person, at=self.now()), 201)


class RotaViewSet(FactRecords):
    """Who works which pattern, by name and date."""

    queryset = Rota.objects.none()
    serializer_class = RotaSerializer
    requires = {**READS, "create": KEEP, "withdraw": KEEP}
    inputs = {"create": GiveRotaInput, "withdraw": Nothing}

    def get_queryset(self) -> QuerySet[Rota]:
        return facts.rotas_of(self.person)

    @extend_schema(responses={201: RotaSerializer})
    def create(self, request: Request) -> Response:
        """Let a person work a pattern."""
        values = self.taken()
        person = values.pop("person")
        return self.shown(calendars.give_rota(person, **values, by=self.person, at=self.now()), 201)

    @extend_schema(responses={204: None})
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: int) -> Response:
        """Take away one that should not have been given."""
        self.taken()
        calendars.take_rota_away(facts.rota_for(self.person, pk), by=self.person, at=self.now())
        return Response(status=204)


class HolidayViewSet(FactRecords):
    """The days without shifts of the shop."""

    queryset = Holiday.objects.none()
    serializer_class = HolidaySerializer
    requires = {**READS, "create": KEEP, "withdraw": KEEP}
    inputs = {"create": AddHolidayInput, "withdraw": Nothing}

    def get_queryset(self) -> QuerySet[Holiday]:
        return facts.holidays_of(self.person)

    @extend_schema(responses={201: HolidaySerializer})
    def create(self, request: Request) -> Response:
        """Add a day on which no shift begins."""
        values = self.taken()
        return self.shown(calendars.add_holiday(shop=self.person.shop, **values, by=self.person, at=self.now()), 201)

    @extend_schema(responses={204: None})
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: int) -> Response:
        """Let shifts begin on the day again."""
        self.taken()
        calendars.take_holiday_away(facts.holiday_for(self.person, pk), by=self.person, at=self.now())
        return Response(status=204)
