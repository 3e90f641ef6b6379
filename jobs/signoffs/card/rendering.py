"""The job card as a PDF: facts and figures into the page, the page through WeasyPrint."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any
from urllib.parse import urlsplit

import weasyprint
from django.conf import settings
from django.contrib.staticfiles import finders
from django.template.loader import get_template, render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe
from weasyprint.text.fonts import FontConfiguration
from weasyprint.urls import URLFetcher, URLFetcherResponse

from jobs.orders import plots, storage
from jobs.signoffs.card import figures
from jobs.signoffs.card.facts import CardFacts, TraceFacts

log = logging.getLogger(__name__)
TEMPLATE, STYLESHEET = "job_card/card.html", "job_card/card.css"


@dataclass(frozen=True)
class Identity:
    """What makes this card itself: its number, its address for verification, its moment."""

    number: int
    token: str
    rendered_at: datetime

    @property
    def verify_url(self) -> str:
        return f"{settings.PUBLIC_URL}{reverse('verify-card', args=[self.token])}"


@dataclass(frozen=True)
class Figure:
    """The sweep plot of one trace, or the sentence that says why there is none."""

    trace: TraceFacts
    svg: SafeString | None
    why_not: str = ""


class OnlyOurFiles(URLFetcher):  # type: ignore[misc]
    """Gives the page our own static files and nothing else: no network, no other file."""

    def fetch(self, url: str, headers: dict[str, str] | None = None) -> URLFetcherResponse:
        parts = urlsplit(url)
        if parts.scheme == "data":
            return super().fetch(url, headers)
        path = finders.find(parts.path.removeprefix("/")) if parts.scheme == "static" else None
        if path is None:
            raise ValueError(f"a job card may not fetch {url}")
        with open(path, "rb") as file:  # noqa: PTH123 - what the static files finder gives
            return URLFetcherResponse(url, body=file.read())


def render(facts: CardFacts, identity: Identity) -> bytes:
    """The PDF of a card, not yet signed. The same facts and identity give the same bytes."""
    order = facts.order
    with timezone.override(order.shop.zone):
        page = render_to_string(TEMPLATE, context(facts, identity))
    ours: dict[str, Any] = {"base_url": "static:///", "url_fetcher": OnlyOurFiles()}
    fonts = FontConfiguration()
    pdf: bytes = weasyprint.HTML(string=page, **ours).write_pdf(
        stylesheets=[weasyprint.CSS(string=stylesheet(), font_config=fonts, **ours)],
        font_config=fonts,
        pdf_identifier=identity.token.encode("ascii")[:16],
        pdf_tags=True,
    )
    return pdf


def context(facts: CardFacts, identity: Identity) -> dict[str, Any]:
    """What the template sees."""
    order = facts.order
    return {
        "facts": facts,
        "order": order,
        "shop": order.shop,
        "revision": order.engine_type_revision,
        "spec": order.spec or {},
        "card": identity,
        "as_found": facts.result_of("as-found"),
        "as_left": facts.result_of("as-left"),
        "figures": [figure_of(one) for one in facts.results],
        "qr": mark_safe(figures.qr_code(identity.verify_url)),
        "is_unfinished": order.is_open,
    }


def figure_of(facts: TraceFacts) -> Figure:
    """The sweep plot of a trace from its stored bytes; a sentence where the bytes or the angle miss."""
    found, trace = facts.analysis, facts.trace
    if found is None:
        return Figure(facts, None, "Not analysed yet.")
    if found.outcome == found.Outcome.REFUSED:
        return Figure(facts, None, "The analysis refused this file, so there is nothing to plot.")
    try:
        storage.traces().opened(trace.bytes_id).close()  # what is drawn on paper is proved anew
        series = plots.series(trace, found, points=1600)
    except storage.StorageError as error:
        return Figure(facts, None, str(error))
    svg = figures.sweep_plot(series, salt=f"{trace.pk}-{found.number}")
    return Figure(facts, mark_safe(svg))


@lru_cache(maxsize=1)
def stylesheet() -> str:
    """The print style of the card, kept beside its template."""
    origin = get_template(STYLESHEET).origin  # type: ignore[attr-defined]
    with open(origin.name, encoding="utf-8") as file:  # noqa: PTH123
        return file.read()
