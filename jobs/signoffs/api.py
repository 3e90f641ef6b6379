"""Sign-offs and job cards over HTTP."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.http import FileResponse
from django.urls import reverse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, inline_serializer
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.errors import NotAllowed, Reason
from jobs.orders import queries as orders
from jobs.orders.storage import StorageError
from jobs.people.shopviews import AnyMedia, ShopRecords, ShopView, errand_address
from jobs.signoffs import actions, documents, filing, queries
from jobs.signoffs.models import JobCard, SignOff
from jobs.signoffs.serializers import (
    CardDetailSerializer,
    CardSerializer,
    ContentSerializer,
    SignInput,
    SignOffDetailSerializer,
    SignOffSerializer,
)
from jobs.web.filters import IdFilter, InstantFilter
from jobs.web.serializers import Nothing


class SignOffFilter(django_filters.FilterSet):
    """Sign-offs by order, unit, meaning and signer; `is_void` tells those that no longer count."""

    order = IdFilter(field_name="work_order")
    unit = django_filters.CharFilter(field_name="work_order__unit__number")
    meaning = django_filters.ChoiceFilter(choices=SignOff.Meaning.choices)
    signer = django_filters.CharFilter(field_name="signer__username")
    is_void = django_filters.BooleanFilter(field_name="voiding", lookup_expr="isnull", exclude=True)
    signed_from = InstantFilter(field_name="signed_at", lookup_expr="gte")
    signed_before = InstantFilter(field_name="signed_at", lookup_expr="lt")
    sort = django_filters.OrderingFilter(fields=["signed_at"])

    class Meta:
        model = SignOff
        fields: list[str] = []


class CardFilter(django_filters.FilterSet):
    """Job cards by order and unit."""

    order = IdFilter(field_name="work_order")
    unit = django_filters.CharFilter(field_name="work_order__unit__number")
    sha256 = django_filters.CharFilter()
    sort = django_filters.OrderingFilter(fields=["rendered_at"])

    class Meta:
        model = JobCard
        fields: list[str] = []


class SignOffViewSet(ShopRecords):
    """The sign-offs of the shop, newest first, void ones too."""

    queryset = SignOff.objects.none()
    serializer_class = SignOffSerializer
    filterset_class = SignOffFilter

    def get_queryset(self) -> QuerySet[SignOff]:
        signoffs = SignOff.objects.filter(work_order__shop=self.person.shop_id)
        related = ("work_order", "step", "signer", "voiding")
        return signoffs.select_related(*related).order_by("-signed_at", "-pk")

    def get_serializer_class(self) -> type[SignOffSerializer]:
        return SignOffSerializer if self.action == "list" else SignOffDetailSerializer


class SignView(ShopView):
    """Signatures on one work order."""

    queryset = SignOff.objects.none()
    serializer_class = SignOffDetailSerializer
    # Which role may sign depends on the meaning: the action asks.
    requires = {"post": "see-work"}
    inputs = {"post": SignInput}

    @extend_schema(responses={201: SignOffDetailSerializer})
    def post(self, request: Request, pk: int) -> Response:
        """Sign, with the password again; nothing is signed when the record changed since `seen_sha256`."""
        order = orders.order_for(self.person, pk)
        values = self.taken()
        position = values.pop("step", None)
        step = orders.step_for(self.person, pk, position) if position else None
        signoff = actions.sign(order, **values, step=step, by=self.person, at=self.now())
        shown = SignOffDetailSerializer(queries.signoff_for(self.person, signoff.pk)).data
        address = reverse("api:signoff-detail", args=[signoff.pk])
        return Response(shown, status=201, headers={"Location": address})


class ContentView(ShopView):
    """What a sign-off of the work order, or of a hold point in it, would cover now."""

    queryset = SignOff.objects.none()
    serializer_class = ContentSerializer

    @extend_schema(
        responses=ContentSerializer,
        parameters=[OpenApiParameter("step", int, description="Position of a hold point.")],
    )
    def get(self, request: Request, pk: int) -> Response:
        order = orders.order_for(self.person, pk)
        position = self._position()
        step = orders.step_for(self.person, pk, position) if position is not None else None
        content = documents.content_of(order, step)
        return Response({"content": content, "content_sha256": documents.digest(content)})

    def _position(self) -> int | None:
        written = self.request.query_params.get("step")
        return None if written is None else serializers.IntegerField().run_validation(written)


class CardViewSet(ShopRecords):
    """The filed job cards of the shop, newest first; a single one says whether its file is intact."""

    queryset = JobCard.objects.none()
    serializer_class = CardSerializer
    filterset_class = CardFilter

    def get_queryset(self) -> QuerySet[JobCard]:
        cards = JobCard.objects.filter(shop=self.person.shop_id).select_related("work_order")
        return cards.order_by("-rendered_at", "-pk")

    def get_serializer_class(self) -> type[CardSerializer]:
        return CardSerializer if self.action == "list" else CardDetailSerializer


class CardFileView(ShopView):
    """The PDF of a job card, as it was signed and filed."""

    content_negotiation_class = AnyMedia

    @extend_schema(responses={(200, "application/pdf"): OpenApiTypes.BINARY})
    def get(self, request: Request, pk: int) -> FileResponse:
        card = queries.card_for(self.person, pk)
        try:
            file = filing.store().opened(card.sha256)
        except StorageError as error:
            raise NotAllowed([Reason("card-lost", f"{error} Restore it from a back-up.")]) from None
        name = f"{card.work_order.number}-card-{card.number}.pdf"
        return FileResponse(file, as_attachment=True, filename=name, content_type="application/pdf")


class AskCardView(ShopView):
    """The job cards of one work order."""

    queryset = JobCard.objects.none()
    requires = {"post": "render-card"}
    inputs = {"post": Nothing}

    @extend_schema(
        responses={202: inline_serializer("AskedCard", {"errand": serializers.CharField(read_only=True)})}
    )
    def post(self, request: Request, pk: int) -> Response:
        """Ask a worker to render, sign and file the job card; the errand to watch stands in the answer."""
        order = orders.order_for(self.person, pk)
        self.taken()
        address = errand_address(actions.ask_card(order, by=self.person, at=self.now()).pk)
        body: dict[str, Any] = {"errand": address}
        return Response(body, status=202, headers={"Location": address})
