"""What every API view shares: pages of results, and errors as problem details (RFC 9457)."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.db import OperationalError
from django.http import Http404, HttpRequest, JsonResponse
from django.http.multipartparser import MultiPartParserError
from django.http.request import UnreadablePostError
from rest_framework import exceptions, status
from rest_framework.pagination import PageNumberPagination
from rest_framework.response import Response
from rest_framework.views import exception_handler

from jobs.errors import Reason, Refusal, TooLarge, WrongPerson

PROBLEM = "application/problem+json"
ROOT = "/api/"
NOT_FOUND = "There is no such thing in your shop."
CUT_OFF = "The upload was cut off before its end. Nothing was stored; send it again."

log = logging.getLogger(__name__)


class Pages(PageNumberPagination):
    """Fifty rows a page, unless `page_size` asks for another number up to 500."""

    page_size_query_param = "page_size"
    max_page_size = 500


def problem(
    status_code: int, title: str, detail: str, *, reasons: list[dict[str, str]] | None = None, **more: Any
) -> Response:
    """A problem-details answer; `reasons` lists every reason with its code, sentence and field."""
    body = _body(status_code, title, detail, **more)
    if reasons is not None:
        body["reasons"] = reasons
    return Response(body, status=status_code, content_type=PROBLEM)


def plain_problem(status_code: int, title: str, detail: str) -> JsonResponse:
    """The same outside a view of the REST framework: from a middleware or an error handler."""
    return JsonResponse(_body(status_code, title, detail), status=status_code, content_type=PROBLEM)


def wants_problem(request: HttpRequest) -> bool:
    """Whether this request came in by the API, so that errors are answered as problem details."""
    return request.path.startswith(ROOT)


def _body(status_code: int, title: str, detail: str, **more: Any) -> dict[str, Any]:
    return {"type": "about:blank", "title": title, "status": status_code, "detail": detail, **more}


def problem_response(error: Exception, context: dict[str, Any]) -> Response | None:
    """Turn what a view raised into problem details; unknown errors stay errors."""
    if isinstance(error, Refusal):
        return problem(error.status, error.title, str(error), reasons=_listed(error))
    if isinstance(error, WrongPerson):
        return problem(status.HTTP_403_FORBIDDEN, "Not yours to do", error.sentence)
    if isinstance(error, PermissionDenied):
        return problem(status.HTTP_403_FORBIDDEN, "Not yours to do", "You may not do this.")
    if isinstance(error, Http404):
        return problem(status.HTTP_404_NOT_FOUND, "Not found", NOT_FOUND)
    if isinstance(error, OperationalError):
        return _busy(error)
    unreadable = _of_unreadable_body(error)
    if unreadable is not None:
        return unreadable
    response = exception_handler(error, context)
    if response is None or not isinstance(error, exceptions.APIException):
        return response
    return _of_rest_framework(error, response)


def _of_unreadable_body(error: Exception) -> Response | None:
    """What Django raises while a body is read: cut off, too large, or not what it says it is."""
    if isinstance(error, UnreadablePostError):
        return problem(status.HTTP_400_BAD_REQUEST, "Cut off", CUT_OFF)
    if isinstance(error, RequestDataTooBig):
        sentence = "The fields of this request are larger than Midflank takes."
        return problem(TooLarge.status, TooLarge.title, sentence)
    if isinstance(error, (MultiPartParserError, SuspiciousOperation)):
        sentence = "The body of this request cannot be read as what its Content-Type says."
        return problem(status.HTTP_400_BAD_REQUEST, "Not understood", sentence)
    return None


def _busy(error: OperationalError) -> Response:
    log.error("the database did not answer an API request", exc_info=error)
    sentence = "The database did not answer in time. Nothing was changed; send it again."
    response = problem(status.HTTP_503_SERVICE_UNAVAILABLE, "Busy", sentence)
    response["Retry-After"] = "5"
    return response


def _of_rest_framework(error: exceptions.APIException, response: Response) -> Response:
    if isinstance(error, exceptions.ValidationError):
        reasons = list(_flat(error.detail))
        detail = " ".join(reason["sentence"] for reason in reasons)
        answer = problem(status.HTTP_422_UNPROCESSABLE_ENTITY, "Not accepted", detail, reasons=reasons)
    else:
        title = error.default_code.replace("_", " ").capitalize()
        answer = problem(response.status_code, title, str(error.detail))
    for name, value in response.items():
        if name.lower() != "content-type":
            answer[name] = value
    return answer


def _listed(refusal: Refusal) -> list[dict[str, str]]:
    return [_reason(reason) for reason in refusal.reasons]


def _reason(reason: Reason) -> dict[str, str]:
    return {"code": reason.code, "sentence": reason.sentence, "field": reason.field}


def _flat(detail: Any, field: str = "") -> Iterator[dict[str, str]]:
    if isinstance(detail, dict):
        for key, inner in detail.items():
            name = "" if key == "non_field_errors" else str(key)
            yield from _flat(inner, f"{field}.{name}" if field and name else field or name)
    elif isinstance(detail, list):
        for inner in detail:
            yield from _flat(inner, field)
    else:
        yield {"code": getattr(detail, "code", "invalid"), "sentence": str(detail), "field": field}
