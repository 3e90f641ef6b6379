"""Findings: raised at an order or a step, decided by another person."""

from __future__ import annotations

from django.db.models import QuerySet
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.orders import actions, inputs, queries
from jobs.orders.api.filters import FindingFilter
from jobs.orders.models import Finding
from jobs.orders.serializers import FindingSerializer
from jobs.people.shopviews import ShopRecords, ShopView


class FindingViewSet(ShopRecords):
    """The findings of the shop, newest first."""

    queryset = Finding.objects.none()
    serializer_class = FindingSerializer
    filterset_class = FindingFilter
    requires = {"decide": "decide-finding"}
    inputs = {"decide": inputs.DecisionInput}

    def get_queryset(self) -> QuerySet[Finding]:
        findings = Finding.objects.filter(work_order__shop=self.person.shop_id)
        related = ("work_order", "step", "raised_by", "decided_by")
        return findings.select_related(*related).order_by("-raised_at", "-pk")

    @extend_schema(responses=FindingSerializer)
    @action(detail=True, methods=["post"])
    def decide(self, request: Request, pk: int) -> Response:
        """Decide what becomes of it, with a reason; not by the person who raised it."""
        finding = queries.finding_for(self.person, pk)
        actions.decide_finding(finding, **self.taken(), by=self.person, at=self.now())
        return Response(FindingSerializer(self.get_queryset().get(pk=pk)).data)


class RaiseFindingView(ShopView):
    """The findings of one work order."""

    queryset = Finding.objects.none()
    serializer_class = FindingSerializer
    pagination_class = None
    filter_backends = []
    requires = {"post": "raise-finding"}
    inputs = {"post": inputs.FindingInput}

    @extend_schema(responses={201: FindingSerializer})
    def post(self, request: Request, pk: int) -> Response:
        """Raise a finding on a work order."""
        order = queries.order_for(self.person, pk)
        values = self.taken()
        position = values.pop("step", None)
        step = queries.step_for(self.person, pk, position) if position else None
        finding = actions.raise_finding(order, **values, step=step, by=self.person, at=self.now())
        address = reverse("api:finding-detail", args=[finding.pk])
        return Response(FindingSerializer(finding).data, status=201, headers={"Location": address})
