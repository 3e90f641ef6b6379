"""The request as our views see it: someone is signed in, htmx may have asked; and which page it came from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.core.exceptions import DisallowedHost
from django.http import HttpRequest
from django.utils.http import url_has_allowed_host_and_scheme

if TYPE_CHECKING:
    from django_htmx.middleware import HtmxDetails

    from jobs.people.models import Person

    class PersonRequest(HttpRequest):
        user: Person
        htmx: HtmxDetails
else:
    PersonRequest = HttpRequest


def came_from(request: HttpRequest) -> str:
    """The page of ours on which the request was made, else the start: a forged form leads nobody back to its maker."""
    page = request.META.get("HTTP_REFERER", "")
    try:
        ours = url_has_allowed_host_and_scheme(page, allowed_hosts={request.get_host()})
    except DisallowedHost:
        ours = False
    return page if ours else "/"
