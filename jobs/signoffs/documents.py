"""What a signature is over: the content, and the document that binds it to a person, a meaning and a moment.

The document is the RFC 8785 canonical JSON (UTF-8) of

    {"content": {…}, "content_sha256": hex,
     "earlier": [{"document_sha256", "id", "meaning", "signer", "step"}, …],
     "format": 1, "meaning": …, "order": …, "qualification": {"from", "skill", "until"},
     "signed_at": "2026-03-14T08:20:05.123456Z", "signer": {"id", "name"}, "statement": …, "step": n or null}

`content` is what `orders.content` says of the work order; for a hold point, of the steps before it.
"""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from typing import Any

from jobs.ledger import chain as chains
from jobs.orders import content as contents
from jobs.orders.models import OrderStep, WorkOrder
from jobs.people.models import Person, Qualification
from jobs.signoffs.models import SignOff

FORMAT = 1


def content_of(order: WorkOrder, step: OrderStep | None = None) -> dict[str, Any]:
    """The content that a sign-off covers: the whole order, or for a hold point what comes before it."""
    return contents.order_content(order, up_to=None if step is None else step.position)


def digest(document: Any) -> str:
    """SHA-256 of the canonical JSON, in hexadecimal."""
    return hashlib.sha256(chains.canonical(document)).hexdigest()


def content_sha256(order: WorkOrder, step: OrderStep | None = None) -> str:
    """The digest of what a sign-off made now would cover."""
    return digest(content_of(order, step))


def instant(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def make(
    content: dict[str, Any],
    *,
    order: WorkOrder,
    step: OrderStep | None,
    meaning: SignOff.Meaning,
    statement: str,
    by: Person,
    qualification: Qualification,
    at: datetime,
    earlier: list[SignOff],
) -> dict[str, Any]:
    """The document of a signature, ready for canonical JSON."""
    until = qualification.valid_until
    return {
        "content": content,
        "content_sha256": digest(content),
        "earlier": [
            {
                "document_sha256": signoff.document_sha256,
                "id": signoff.pk,
                "meaning": signoff.meaning,
                "signer": signoff.signer_name,
                "step": signoff.step.position if signoff.step else None,
            }
            for signoff in earlier
        ],
        "format": FORMAT,
        "meaning": str(meaning),
        "order": order.number,
        "qualification": {
            "from": qualification.valid_from.isoformat(),
            "skill": qualification.skill.code,
            "until": until.isoformat() if until else None,
        },
        "signed_at": instant(at),
        "signer": {"id": by.pk, "name": by.name},
        "statement": statement,
        "step": step.position if step else None,
    }


def columns_of(signoff: SignOff) -> dict[str, Any]:
    """The parts of a document that a sign-off's own columns repeat, as those columns have them."""
    until = signoff.qualified_until
    return {
        "content_sha256": signoff.content_sha256,
        "meaning": signoff.meaning,
        "order": signoff.work_order.number,
        "qualified_until": until.isoformat() if until else None,
        "signed_at": instant(signoff.signed_at),
        "signer": {"id": signoff.signer_id, "name": signoff.signer_name},
        "skill": signoff.skill_code,
        "statement": signoff.statement,
        "step": signoff.step.position if signoff.step else None,
    }


def columns_in(document: dict[str, Any]) -> dict[str, Any]:
    """The same parts as the document has them."""
    qualification = document.get("qualification") or {}
    same = ("meaning", "order", "signed_at", "signer", "statement", "step")
    named = {key: document.get(key) for key in same}
    return {
        **named,
        "content_sha256": digest(document.get("content")),
        "qualified_until": qualification.get("until"),
        "skill": qualification.get("skill"),
    }
