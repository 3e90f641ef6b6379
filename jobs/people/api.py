"""People over HTTP, to read; and the token that stands for a password."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import django_filters
from axes.helpers import get_cool_off
from django.contrib.auth import authenticate
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from drf_spectacular.utils import extend_schema
from rest_framework.authtoken.models import Token
from rest_framework.exceptions import APIException
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from jobs.people.models import Person
from jobs.people.queries import people_of
from jobs.people.serializers import CredentialsSerializer, MeSerializer, PersonSerializer, TokenSerializer
from jobs.people.shopviews import ShopRecords, ShopView
from jobs.web.api import plain_problem, wants_problem
from jobs.web.bodies import check_length, fields_limit


class PersonFilter(django_filters.FilterSet):
    """People by username or name."""

    username = django_filters.CharFilter()
    words = django_filters.CharFilter(field_name="name", lookup_expr="icontains")
    is_active = django_filters.BooleanFilter()
    sort = django_filters.OrderingFilter(fields=["name", "username"])

    class Meta:
        model = Person
        fields: list[str] = []


class PersonViewSet(ShopRecords):
    """The people of the shop."""

    queryset = Person.objects.none()
    serializer_class = PersonSerializer
    filterset_class = PersonFilter

    def get_queryset(self) -> QuerySet[Person]:
        people = people_of(self.person).select_related("shop")
        return people.prefetch_related("qualifications__skill").order_by("name", "pk")


class MeView(ShopView):
    """Who one is here, and what one may do."""

    queryset = Person.objects.none()
    serializer_class = MeSerializer

    def get(self, request: Request) -> Response:
        return Response(MeSerializer(self.person).data)


class WrongCredentials(APIException):
    """Nobody who may sign in has this username and password; which of the two is wrong is not told."""

    status_code = 401
    default_code = "wrong_credentials"
    default_detail = "There is no such username and password, or the account is not active."


class TokenView(APIView):
    """A token for a username and password; wrong ones count as wrong sign-ins do."""

    permission_classes = [AllowAny]
    authentication_classes = []

    @extend_schema(request=CredentialsSerializer, responses=TokenSerializer, auth=[])
    def post(self, request: Request) -> Response:
        """Give the token of a person; the same one until it is given back."""
        check_length(request._request, fields_limit())
        found = CredentialsSerializer(data=request.data)
        found.is_valid(raise_exception=True)
        person = authenticate(request._request, **found.validated_data)
        if person is None:
            raise WrongCredentials
        token, _ = Token.objects.get_or_create(user=person)
        return Response({"token": token.key})


class TokenBackView(ShopView):
    """One's own token, to give back."""

    queryset = Token.objects.none()
    requires = {"post": "see-work"}

    @extend_schema(request=None, responses={204: None})
    def post(self, request: Request) -> Response:
        """Make one's token worthless at once, wherever it is kept."""
        Token.objects.filter(user=self.person).delete()
        return Response(status=204)


def locked_out(request: HttpRequest, response: Any = None, credentials: Any = None) -> HttpResponse:
    """What axes answers after too many wrong passwords: the same sentence on page and API."""
    pause = get_cool_off(request) or timedelta(minutes=15)
    minutes = math.ceil(pause.total_seconds() / 60)
    sentence = f"Too many wrong passwords. Wait {minutes} minutes, then try again."
    if wants_problem(request):
        answer: HttpResponse = plain_problem(429, "Too many attempts", sentence)
    else:
        context = {"sentence": sentence, "status": 429, "title": "Too many attempts"}
        answer = render(request, "errors/locked_out.html", context, status=429)
    answer["Retry-After"] = str(math.ceil(pause.total_seconds()))
    return answer
