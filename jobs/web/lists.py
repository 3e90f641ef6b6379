"""Lists whose view is their address: sorted, paged, and given out as CSV exactly as seen."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from django.core.paginator import Page, Paginator
from django.db.models import F, Model, QuerySet
from django.http import HttpRequest, StreamingHttpResponse

ROWS_A_PAGE = 50
# A spreadsheet takes a cell that starts like this for a formula; a leading apostrophe keeps it a text.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

Row = TypeVar("Row", bound=Model)


def sorted_by(
    request: HttpRequest, rows: QuerySet[Row], columns: Mapping[str, Sequence[str]], *, default: str
) -> QuerySet[Row]:
    """Sort by `?sort=column` or `?sort=-column`; empty values last, the primary key settles ties."""
    wanted = request.GET.get("sort", default)
    if wanted.removeprefix("-") not in columns:
        wanted = default
    downwards = wanted.startswith("-")
    order = [
        F(name).desc(nulls_last=True) if downwards else F(name).asc(nulls_last=True)
        for name in columns[wanted.removeprefix("-")]
    ]
    return rows.order_by(*order, "pk")


def page_of(request: HttpRequest, rows: QuerySet[Row], *, most: int = ROWS_A_PAGE) -> Page[Row]:
    """The page asked for by `?page=`, or the nearest there is; its count is of all rows, not of the page."""
    return Paginator(rows, most).get_page(request.GET.get("page"))


class _Echo:
    """A file that hands back what is written to it."""

    def write(self, text: str) -> str:
        return text


def csv_answer(name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> StreamingHttpResponse:
    """A CSV file (RFC 4180) to download, streamed line by line."""
    response = StreamingHttpResponse(_lines(columns, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response


def _lines(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> Iterator[str]:
    writer = csv.writer(_Echo())
    yield "\ufeff" + str(writer.writerow(columns))
    for row in rows:
        yield str(writer.writerow([_cell(value) for value in row]))


def _cell(value: Any) -> Any:
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return "" if value is None else value
