"""The history over HTTP: entries, filtered as on the page, and whether the chain holds."""

from __future__ import annotations

import django_filters
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema, extend_schema_view
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.history import queries
from jobs.history.filters import HistoryFilter
from jobs.history.serializers import EntrySerializer, VerificationSerializer
from jobs.ledger.models import Entry
from jobs.ledger.queries import verify
from jobs.people.shopviews import ShopRecords, ShopView
from jobs.web.filters import IdFilter, InstantFilter

READ = "read-history"


class EntryFilter(HistoryFilter):
    """As on the page; days are the shop's. `about_type` with `about_key` names one thing, as in `about`."""

    actor = IdFilter(field_name="actor_id")
    at_from = InstantFilter(field_name="at", lookup_expr="gte")
    at_before = InstantFilter(field_name="at", lookup_expr="lt")
    sort = django_filters.OrderingFilter(fields=["at", "number"])


class EntryViewSet(ShopRecords):
    """The history of the shop, newest first."""

    queryset = Entry.objects.none()
    serializer_class = EntrySerializer
    filterset_class = EntryFilter
    lookup_field = "number"
    requires = {"list": READ, "retrieve": READ}

    def get_queryset(self) -> QuerySet[Entry]:
        return queries.entries_for(self.person).prefetch_related("subjects")


@extend_schema_view(list=extend_schema(operation_id="history_about_list"))
class EntriesAboutView(EntryViewSet):
    """The part of the shop's history that is about one thing, newest first."""

    def get_queryset(self) -> QuerySet[Entry]:
        if getattr(self, "swagger_fake_view", False):
            return Entry.objects.none()
        type_, key = self.kwargs["type"], self.kwargs["key"]
        queries.thing_for(self.person, type_, key)
        return queries.entries_about(self.person, type_, key).prefetch_related("subjects")


class VerificationView(ShopView):
    """Whether the shop's ledger is whole, checked now, entry by entry."""

    queryset = Entry.objects.none()
    serializer_class = VerificationSerializer
    requires = {"get": "verify-ledger"}

    @extend_schema(responses=VerificationSerializer)
    def get(self, request: Request) -> Response:
        return Response(VerificationSerializer(verify(self.person.shop.code)).data)
