"""The plan over HTTP: asked for, compared, accepted, moved by hand; promises."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from django.http import Http404
from drf_spectacular.utils import extend_schema
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from jobs.orders import actions as orders
from jobs.orders.queries import order_for
from jobs.people.shopviews import ShopRecords, ShopView, errand_address
from jobs.planning import promising, shown
from jobs.planning.actions import board as by_hand
from jobs.planning.actions import plans
from jobs.planning.actions.trouble import report_trouble
from jobs.planning.api.plan_serializers import (
    AcceptInput,
    AcceptPlanInput,
    AskInput,
    BoardSerializer,
    EffectSerializer,
    MoveInput,
    OffersSerializer,
    PlanningSerializer,
    PlanSerializer,
    PromiseInput,
    TroubleInput,
    WholePlanSerializer,
)
from jobs.planning.gathering import changes_on
from jobs.planning.models import Plan, Planning
from jobs.planning.wording import said
from jobs.web.serializers import Nothing

SEE, MAKE = "see-plan", "plan-shop"


class PlanFilter(django_filters.FilterSet):
    """`accepted` gives the versions, or the alternatives that were not taken."""

    accepted = django_filters.BooleanFilter(field_name="version", lookup_expr="isnull", exclude=True)
    version = django_filters.NumberFilter()
    sort = django_filters.OrderingFilter(fields=["version", "made_at"])

    class Meta:
        model = Plan
        fields: list[str] = []


class PlanViewSet(ShopRecords):
    """Plans of the shop: the versions that were accepted, and the alternatives that were found."""

    queryset = Plan.objects.none()
    serializer_class = PlanSerializer
    filterset_class = PlanFilter
    requires = {"list": SEE, "retrieve": SEE, "accept": MAKE}
    inputs = {"accept": AcceptPlanInput}

    def get_queryset(self) -> QuerySet[Plan]:
        found = Plan.objects.filter(shop=self.person.shop_id).select_related("accepted_by")
        found = found.order_by("-made_at", "-pk")
        return found if self.action == "retrieve" else found.defer("problem", "plan", "names", "marks")

    def get_serializer_class(self) -> Any:
        return WholePlanSerializer if self.action == "retrieve" else PlanSerializer

    @extend_schema(responses=PlanSerializer)
    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: int) -> Response:
        """Make an alternative the next version; 409 names the facts that changed since it was made."""
        accepted = plans.accept_plan(self.get_object(), **self.taken(), by=self.person, at=self.now())
        return Response(PlanSerializer(accepted).data)


class PlanningViewSet(ShopRecords):
    """What was asked of the planner, the newest first, with the alternatives that were found."""

    queryset = Planning.objects.none()
    serializer_class = PlanningSerializer
    requires = {"list": SEE, "retrieve": SEE, "create": MAKE, "trouble": MAKE}
    inputs = {"create": AskInput, "trouble": TroubleInput}

    def get_queryset(self) -> QuerySet[Planning]:
        found = Planning.objects.filter(shop=self.person.shop_id).select_related("asked_by")
        return found.prefetch_related("plans__accepted_by").defer("problem", "names", "marks", "before")

    @extend_schema(responses={202: PlanningSerializer})
    def create(self, request: Request) -> Response:
        """Ask a worker for plans of everything that is open."""
        return self._asked(plans.ask_plan(**self.taken(), by=self.person, at=self.now()))

    @extend_schema(responses={202: PlanningSerializer})
    @action(detail=False, methods=["post"])
    def trouble(self, request: Request) -> Response:
        """Enter what went wrong and ask for plans around it."""
        return self._asked(report_trouble(**self.taken(), by=self.person, at=self.now()))

    def _asked(self, found: Planning) -> Response:
        assert found.errand_id is not None
        watch = {"Location": errand_address(found.errand_id)}
        return Response(PlanningSerializer(found).data, status=202, headers=watch)


class BoardView(ShopView):
    """The board as it stands."""

    serializer_class = BoardSerializer
    requires = {"get": SEE, "post": MAKE}
    inputs = {"post": MoveInput}

    @extend_schema(responses=BoardSerializer)
    def get(self, request: Request) -> Response:
        """The plan in force with the moves by hand on top of it."""
        board, stated, in_force = by_hand.board_now(self.person.shop, at=self.now())
        standing = {
            "version": in_force.version if in_force is not None else None,
            "bookings": {key: one.to_json() for key, one in board.stands.items()},
            "names": stated.names,
            "moves": changes_on(in_force),
        }
        return Response(BoardSerializer(standing).data)

    @extend_schema(request=MoveInput, responses=EffectSerializer)
    def post(self, request: Request) -> Response:
        """Move an operation by hand, or with `look_only` be told what that would do."""
        values = self.taken()
        key = values.pop("operation")
        if values.pop("look_only"):
            board, _, _ = by_hand.board_now(self.person.shop, at=self.now())
            if key not in board.stands:
                raise Http404("This operation has no place on the board.")
            values.pop("pin")
            return Response(board.move(key, **values).to_json())
        _, effect = by_hand.change_board(key, **values, by=self.person, at=self.now())
        return Response(effect.to_json())


class UndoView(ShopView):
    requires = {"post": MAKE}
    inputs = {"post": Nothing}
    serializer_class = Nothing

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """Take back the last move by hand, whoever made it."""
        self.taken()
        by_hand.undo_change(by=self.person, at=self.now())
        return Response(status=204)


class BeginNowView(ShopView):
    requires = {"post": MAKE}
    inputs = {"post": Nothing}
    serializer_class = Nothing

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """Let what should have begun and has not begin as soon as its people can; all else keeps its turn."""
        self.taken()
        by_hand.begin_now(by=self.person, at=self.now())
        return Response(status=204)


class AcceptBoardView(ShopView):
    requires = {"post": MAKE}
    inputs = {"post": AcceptInput}
    serializer_class = PlanSerializer

    @extend_schema(request=AcceptInput, responses=PlanSerializer)
    def post(self, request: Request) -> Response:
        """Accept the board as the next version; 409 with every sentence of what clashes on it."""
        return Response(PlanSerializer(by_hand.accept_board(**self.taken(), by=self.person, at=self.now())).data)


class PromiseView(ShopView):
    """When an order can honestly be promised, and the promise itself."""

    requires = {"get": MAKE, "post": MAKE}
    inputs = {"post": PromiseInput}
    serializer_class = OffersSerializer

    @extend_schema(responses=OffersSerializer)
    def get(self, request: Request, pk: int) -> Response:
        """The earliest promise with everything else where it stands, and earlier ones if one other gives way."""
        order = order_for(self.person, pk)
        facts, stated = plans.stated_now(self.person.shop, at=self.now())
        if order.number not in {one["id"] for one in stated.problem["orders"]}:
            raise Http404("This work order is not one to plan any longer.")
        zone = self.person.shop.zone
        found = promising.offers(stated.problem, order.number, facts.bookings)
        told = {
            "offers": [{"at": one.at, "sentence": shown.offer_words(one, stated.names, zone)} for one in found.offers],
            "why_none": said(found.why_none, stated.names, zone),
            "tried": found.tried,
            "in_the_way": found.in_the_way,
        }
        return Response(OffersSerializer(told).data)

    @extend_schema(request=PromiseInput, responses={204: None})
    def post(self, request: Request, pk: int) -> Response:
        """Give the promise, or move it."""
        values = self.taken()
        orders.promise_order(order_for(self.person, pk), **values, by=self.person, at=self.now())
        return Response(status=204)
