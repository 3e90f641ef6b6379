"""The request as our views see it, for type checking: someone is signed in, and htmx may have asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.http import HttpRequest

if TYPE_CHECKING:
    from django_htmx.middleware import HtmxDetails

    from jobs.people.models import Person

    class PersonRequest(HttpRequest):
        user: Person
        htmx: HtmxDetails
else:
    PersonRequest = HttpRequest
