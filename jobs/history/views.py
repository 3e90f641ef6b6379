"""The auditor's pages: who did what, when, to what; as a list, as CSV, and whether the chain holds."""

from __future__ import annotations

from typing import Any

from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from jobs.errors import BadInput, Reason
from jobs.history import export, queries
from jobs.history.filters import HistoryFilter
from jobs.ledger import subjects
from jobs.ledger.models import Chain, Entry
from jobs.ledger.queries import verify
from jobs.people.models import Person
from jobs.people.policies import require
from jobs.web.http import PersonRequest

PAGE = 50


@require_GET
def history(request: PersonRequest) -> HttpResponse:
    """Everything that was done in the shop, filtered."""
    require(request.user, "read-history")
    found = HistoryFilter(request.GET, queryset=queries.entries_for(request.user))
    head = Chain.objects.filter(code=request.user.shop.code).first()
    return _page(request, found, {"head": head, "heading": f"History of {request.user.shop.name}"})


@require_GET
def history_of(request: PersonRequest, type: str, key: str) -> HttpResponse:
    """Everything that was done to, with or by one thing or person."""
    require(request.user, "read-history")
    thing, noun = queries.thing_for(request.user, type, key), subjects.noun(type)
    found = HistoryFilter(request.GET, queryset=queries.entries_about(request.user, type, key))
    context = {
        "thing": thing,
        "own_page": noun.page(key) if noun.page is not None else "",
        "type": type,
        "key": key,
        "relied_on": queries.relied_on(request.user, thing)[:200],
        "heading": f"History of {thing}",
    }
    return _page(request, found, context)


def _page(request: PersonRequest, found: HistoryFilter, context: dict[str, Any]) -> HttpResponse:
    # A filter that was not understood shows nothing: everything would pass for what was asked for.
    entries = found.qs if found.is_valid() else Entry.objects.none()
    page = Paginator(entries, PAGE).get_page(request.GET.get("page"))
    address = request.GET.copy()
    address.pop("page", None)
    more = {"filter": found, "page": page, "lines": queries.lines(page.object_list), "query": address.urlencode()}
    return render(request, "history/history.html", {**context, **more})


@require_GET
def history_csv(request: PersonRequest) -> StreamingHttpResponse:
    require(request.user, "export-history")
    return _csv(request.user, request, queries.entries_for(request.user), "history")


@require_GET
def history_of_csv(request: PersonRequest, type: str, key: str) -> StreamingHttpResponse:
    require(request.user, "export-history")
    thing = queries.thing_for(request.user, type, key)
    name = f"history-{type}-{thing}".replace(" ", "-").replace("/", "-")
    return _csv(request.user, request, queries.entries_about(request.user, type, key), name)


def _csv(
    person: Person, request: PersonRequest, entries: QuerySet[Entry], name: str
) -> StreamingHttpResponse:
    found = HistoryFilter(request.GET, queryset=entries)
    if not found.is_valid():
        raise BadInput(
            [
                Reason("filter", f"{found.form.fields[name].label}: {sentence}", name)
                for name, sentences in found.errors.items()
                for sentence in sentences
            ]
        )
    response = StreamingHttpResponse(export.rows(found.qs), content_type="text/csv; charset=utf-8")
    ascii_name = name.encode("ascii", "ignore").decode("ascii")
    response["Content-Disposition"] = f'attachment; filename="{person.shop.code}-{ascii_name}.csv"'
    return response


@require_POST
def ledger_verify(request: PersonRequest) -> HttpResponse:
    """Check the whole chain of the shop now; reads only, so a POST without effect: it is work, not a record."""
    require(request.user, "verify-ledger")
    started = timezone.now()
    found = verify(request.user.shop.code)
    context = {"found": found, "checked_at": started, "seconds": (timezone.now() - started).total_seconds()}
    template = "history/_verified.html" if request.htmx else "history/verified.html"
    return render(request, template, context)
