"""Work orders: requested, planned, released, and carried through their states."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.models import QuerySet
from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.orders import actions, inputs, queries
from jobs.orders.api.filters import OrderFilter
from jobs.orders.models import Procedure, WorkOrder
from jobs.orders.serializers import OrderDetailSerializer, OrderSerializer, ProcedureSerializer
from jobs.people.shopviews import ShopRecords

ANSWER = extend_schema(responses=OrderDetailSerializer)


class OrderViewSet(ShopRecords):
    """The work orders of the shop, most urgent first."""

    queryset = WorkOrder.objects.none()
    serializer_class = OrderSerializer
    filterset_class = OrderFilter
    requires = {
        "create": "request-order",
        "plan": "plan-order",
        "release": "release-order",
        "start": "start-order",
        "hold": "hold-order",
        "resume": "hold-order",
        "cancel": "cancel-order",
        "reopen": "reopen-order",
    }
    inputs = {
        "create": inputs.RequestInput,
        "plan": inputs.PlanInput,
        "release": inputs.SeenInput,
        "start": inputs.SeenInput,
        "hold": inputs.ReasonInput,
        "resume": inputs.SeenInput,
        "cancel": inputs.ReasonInput,
        "reopen": inputs.ReopenInput,
    }

    def get_queryset(self) -> QuerySet[WorkOrder]:
        return queries.orders_for(self.person)

    def get_serializer_class(self) -> type[OrderSerializer]:
        return OrderSerializer if self.action == "list" else OrderDetailSerializer

    @extend_schema(responses={201: OrderDetailSerializer})
    def create(self, request: Request) -> Response:
        """Request a work order on a unit."""
        order = actions.request_order(**self.taken(), by=self.person, at=self.now())
        address = reverse("api:order-detail", args=[order.pk])
        return Response(self._shown(order.pk), status=201, headers={"Location": address})

    @ANSWER
    @action(detail=True, methods=["post"])
    def plan(self, request: Request, pk: int) -> Response:
        """Give it a bay, a time and people."""
        return self._act(actions.plan_order, pk)

    @ANSWER
    @action(detail=True, methods=["post"])
    def release(self, request: Request, pk: int) -> Response:
        """Freeze the revisions and hand it to the floor."""
        return self._act(actions.release_order, pk)

    @ANSWER
    @action(detail=True, methods=["post"])
    def start(self, request: Request, pk: int) -> Response:
        """Begin the work."""
        return self._act(actions.start_order, pk)

    @ANSWER
    @action(detail=True, methods=["post"])
    def hold(self, request: Request, pk: int) -> Response:
        """Hold it, with a reason."""
        return self._act(actions.hold_order, pk)

    @ANSWER
    @action(detail=True, methods=["post"])
    def resume(self, request: Request, pk: int) -> Response:
        """Let a held one go on."""
        return self._act(actions.resume_order, pk)

    @ANSWER
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: int) -> Response:
        """Cancel it before work starts, with a reason."""
        return self._act(actions.cancel_order, pk)

    @ANSWER
    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: int) -> Response:
        """Put a closed one back in work, with a reason; its sign-offs are void then."""
        return self._act(actions.reopen_order, pk)

    def _act(self, act: Callable[..., Any], pk: int) -> Response:
        order = queries.order_for(self.person, pk)
        act(order, **self.taken(), by=self.person, at=self.now())
        return Response(self._shown(pk))

    def _shown(self, pk: int) -> dict[str, Any]:
        shown: dict[str, Any] = OrderDetailSerializer(queries.order_for(self.person, pk)).data
        return shown


class ProcedureViewSet(ShopRecords):
    """The procedures that a work order can be requested for."""

    queryset = Procedure.objects.prefetch_related("revisions")
    serializer_class = ProcedureSerializer
