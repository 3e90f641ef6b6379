"""Lists: pages, sorting, filters, what an empty one says, and the ways between them."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from typing import Any

from django import template
from django.core.paginator import Page


def _query(context: template.Context, **changes: str | None) -> str:
    """The page's query string with some parameters changed, taken out when None; always starts with `?`."""
    request = context.get("request")
    query = request.GET.copy() if request is not None else None
    if query is None:
        kept = {key: value for key, value in changes.items() if value is not None}
        return "?" + "&".join(f"{key}={value}" for key, value in kept.items())
    for key, value in changes.items():
        if value is None:
            query.pop(key, None)
        else:
            query[key] = value
    return f"?{query.urlencode()}"


def pagination(context: template.Context, page: Page[Any], *, parameter: str = "page") -> dict[str, Any]:
    """Which rows are shown out of how many, and the way to the others, by links that keep the filter."""
    count = page.paginator.count
    links = [
        {"number": one, "href": _query(context, **{parameter: str(one)}) if isinstance(one, int) else ""}
        for one in page.paginator.get_elided_page_range(page.number, on_each_side=1, on_ends=1)
    ]
    previous = page.previous_page_number() if page.has_previous() else None
    following = page.next_page_number() if page.has_next() else None
    return {
        "page": page,
        "count": count,
        "links": links if page.paginator.num_pages > 1 else [],
        "previous": _query(context, **{parameter: str(previous)}) if previous else "",
        "following": _query(context, **{parameter: str(following)}) if following else "",
    }


def sort_header(
    context: template.Context, label: str, key: str, *, parameter: str = "sort", numeric: bool = False
) -> dict[str, Any]:
    """A column head that sorts by its key, and the other way round when it already does."""
    request = context.get("request")
    now = request.GET.get(parameter, "") if request is not None else ""
    order = {key: "ascending", f"-{key}": "descending"}.get(now, "")
    wanted = f"-{key}" if order == "ascending" else key
    href = _query(context, **{parameter: wanted, "page": None})
    return {"label": label, "order": order, "href": href, "numeric": numeric}


def filter_form(
    context: template.Context, form: Any, *, export: str = "", sort_parameter: str = "sort"
) -> dict[str, Any]:
    """A filter whose choices are in the address, so that what is seen can be sent to a colleague."""
    request = context.get("request")
    query = request.GET if request is not None else {}
    filtered = any(query.get(bound.html_name) for bound in form)
    exported = ""
    if export:
        exported = export + (_query(context, page=None) if request is not None and query else "")
    return {
        "form": form,
        "filtered": filtered,
        "export": exported,
        "sort_parameter": sort_parameter,
        "sort": query.get(sort_parameter, ""),
        "path": getattr(request, "path", ""),
    }


def empty_page(sentence: str, first_step: str = "", href: str = "") -> dict[str, Any]:
    """What belongs here, and the first step towards it."""
    return {"sentence": sentence, "first_step": first_step, "href": href}


def navigation(context: template.Context) -> dict[str, Any]:
    """The ways from any page, by what the person may do."""
    allowed = context.get("may") or frozenset()
    request = context.get("request")
    match = getattr(request, "resolver_match", None)
    here = match.url_name if match is not None else ""
    links = [
        {"url": name, "label": label, "here": here in family or (name == "plan-board" and here.startswith("plan-"))}
        for name, label, action, family in _WAYS
        if action in allowed
    ]
    return {"links": links}


_ORDER_PAGES = {
    "board", "work-order", "work-order-new", "work-order-act", "step", "trace", "sign", "signoff", "job-card", "errand"
}  # fmt: skip
_INSTRUMENT_PAGES = {
    "instruments", "instrument", "instrument-new", "instrument-calibrate", "instrument-withdraw",
    "instrument-return", "calibration",
}  # fmt: skip
_WAYS: tuple[tuple[str, str, str, AbstractSet[str]], ...] = (
    ("board", "Work orders", "see-work", _ORDER_PAGES),
    ("plan-board", "Plan", "see-plan", frozenset()),
    ("instruments", "Instruments", "see-work", _INSTRUMENT_PAGES),
    ("units", "Units and engines", "see-work", {"units", "unit", "engine"}),
    ("people", "People", "see-work", {"people", "person", "person-new"}),
    ("history", "History", "read-history", {"history", "history-of", "ledger-verify"}),
)
