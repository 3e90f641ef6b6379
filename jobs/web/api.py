"""What every API view shares: pages of results, and errors as problem details (RFC 9457)."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from rest_framework import exceptions, status
from rest_framework.pagination import PageNumberPagination
from rest_framework.response import Response
from rest_framework.views import exception_handler

from jobs.errors import Refusal, WrongPerson

PROBLEM = "application/problem+json"


class Pages(PageNumberPagination):
    page_size_query_param = "page_size"
    max_page_size = 500


def problem(
    status_code: int, title: str, detail: str, *, reasons: list[dict[str, str]] | None = None, **more: Any
) -> Response:
    """A problem-details answer; `reasons` lists every reason with its code, sentence and field."""
    body: dict[str, Any] = {"type": "about:blank", "title": title, "status": status_code, "detail": detail, **more}
    if reasons is not None:
        body["reasons"] = reasons
    return Response(body, status=status_code, content_type=PROBLEM)


def problem_response(error: Exception, context: dict[str, Any]) -> Response | None:
    """Turn what a view raised into problem details; unknown errors stay errors."""
    if isinstance(error, Refusal):
        reasons = [{"code": r.code, "sentence": r.sentence, "field": r.field} for r in error.reasons]
        return problem(error.status, error.title, str(error), reasons=reasons)
    if isinstance(error, WrongPerson):
        return problem(status.HTTP_403_FORBIDDEN, "Not yours to do", error.sentence)
    if isinstance(error, PermissionDenied):
        return problem(status.HTTP_403_FORBIDDEN, "Not yours to do", "You may not do this.")
    if isinstance(error, Http404):
        return problem(status.HTTP_404_NOT_FOUND, "Not found", "There is no such thing in your shop.")
    response = exception_handler(error, context)
    if response is None or not isinstance(error, exceptions.APIException):
        return response
    return _of_rest_framework(error, response)


def _of_rest_framework(error: exceptions.APIException, response: Response) -> Response:
    if isinstance(error, exceptions.ValidationError):
        reasons = list(_flat(error.detail))
        detail = " ".join(reason["sentence"] for reason in reasons)
        answer = problem(status.HTTP_400_BAD_REQUEST, "Not understood", detail, reasons=reasons)
    else:
        answer = problem(response.status_code, error.default_code.replace("_", " ").capitalize(), str(error.detail))
    for name, value in response.items():
        if name.lower() != "content-type":
            answer[name] = value
    return answer


def _flat(detail: Any, field: str = "") -> Any:
    if isinstance(detail, dict):
        for key, inner in detail.items():
            yield from _flat(inner, f"{field}.{key}" if field else str(key))
    elif isinstance(detail, list):
        for inner in detail:
            yield from _flat(inner, field)
    else:
        yield {"code": getattr(detail, "code", "invalid"), "sentence": str(detail), "field": field}
