"""Times are stored in UTC and shown in the shop's zone."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from jobs.people.models import Person


class ShopTimeMiddleware:
    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        person = getattr(request, "user", None)
        if isinstance(person, Person):
            with timezone.override(person.shop.zone):
                return self.get_response(request)
        return self.get_response(request)
