"""The OpenAPI description: what every operation has in common is said once, here."""

from __future__ import annotations

from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import ResolvedComponent
from drf_spectacular.utils import OpenApiParameter
from rest_framework.permissions import SAFE_METHODS

from jobs.web.api import PROBLEM

DESCRIPTION = """
The same actions as the pages of Midflank, under the same rules: a rule refuses here with the sentence that it
shows there.

**Who.** Sign in with a session cookie and the CSRF token in `X-CSRFToken`, or with `Authorization: Token …`;
`POST /api/v1/token/` gives a token for a username and password. Another shop's work is not found (404).

**Errors** are problem details (RFC 9457, `application/problem+json`). 400: the body cannot be read. 403:
this person may not do this. 404: no such thing in your shop. 409: the state of things forbids it now;
`reasons` lists every reason, each with a stable `code`, a `sentence` for a person, and the `field` it is
about, if any. 413: too large. 415: not a media type taken here. 422: a value cannot be taken; `reasons` as
with 409.

**Sending again.** Every write takes an `Idempotency-Key` as in draft-ietf-httpapi-idempotency-key-header-07
(a structured string in double quotes; a bare word is taken too), up to 100 characters, chosen by you, best
a random UUID for each thing a person did. The same key with the same request gives the first answer again,
refusals included, marked with `Idempotency-Replayed: ?1`; nothing is done a second time. With another
request: 422. While the first is under way: 409 with `Retry-After`. An answer of 400, 401, 413, 415, 429 or
5xx is not kept, as nothing was done: mend or wait, and send it again with the same key. Keys are yours
alone and kept for 30 days.

**Values.** Instants are RFC 3339 with an offset, given out in UTC. Decimals are strings. Angles are crank
degrees.
"""

PROBLEM_SCHEMA: dict[str, Any] = {
    "type": "object",
    "description": "Problem details, RFC 9457.",
    "required": ["type", "title", "status", "detail"],
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "For a person: all sentences of `reasons`."},
        "reasons": {
            "type": "array",
            "items": {
                "type": "object",
                "required": ["code", "sentence", "field"],
                "properties": {
                    "code": {"type": "string", "description": "Stable, for programs."},
                    "sentence": {"type": "string", "description": "For a person, as on the page."},
                    "field": {"type": "string", "description": "The field it is about, or empty."},
                },
            },
        },
    },
}
IDEMPOTENCY_KEY = OpenApiParameter(
    "Idempotency-Key",
    str,
    OpenApiParameter.HEADER,
    description="Makes sending again safe; draft-ietf-httpapi-idempotency-key-header-07.",
)


class ProblemSchema(AutoSchema):
    """Adds the problem answer to every operation, and the idempotency key to those that keep answers."""

    def get_override_parameters(self) -> list[Any]:
        parameters: list[Any] = list(super().get_override_parameters())
        if self.method not in SAFE_METHODS and getattr(self.view, "keeps_answers", False):
            parameters.append(IDEMPOTENCY_KEY)
        return parameters

    def get_request_serializer(self) -> Any:
        """What a write takes is said in the view's own table; see `jobs.people.shopviews`."""
        inputs: dict[str, Any] | None = getattr(self.view, "inputs", None)
        if inputs is None:
            return super().get_request_serializer()
        return inputs.get(getattr(self.view, "action", None) or self.method.lower())

    def _get_response_bodies(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        responses: dict[str, Any] = super()._get_response_bodies(*args, **kwargs)
        component = ResolvedComponent(  # type: ignore[no-untyped-call]
            name="Problem", type=ResolvedComponent.SCHEMA, schema=PROBLEM_SCHEMA, object="Problem"
        )
        self.registry.register_on_missing(component)
        content = {PROBLEM: {"schema": component.ref}}
        return {**responses, "default": {"description": "Problem details", "content": content}}


def describe(result: dict[str, Any], generator: Any, request: Any, public: bool) -> dict[str, Any]:
    """Put the description of the whole at its head."""
    result["info"]["description"] = DESCRIPTION.strip()
    return result
