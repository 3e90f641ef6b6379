"""The errand `render-card`: gather, draw, sign, verify, file, record."""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING

from django.db.models import Max
from django.utils import timezone

from jobs.errands import registry
from jobs.errands.work import CannotBeDone, Claim
from jobs.ledger import actions as ledger
from jobs.orders.models import WorkOrder
from jobs.signoffs import filing, keys, verification
from jobs.signoffs.actions import RENDER_CARD
from jobs.signoffs.card import facts as card_facts
from jobs.signoffs.models import JobCard

if TYPE_CHECKING:
    from jobs.signoffs.card.rendering import Identity
    from jobs.signoffs.signing import Seal

STAGES = ("reading the record", "drawing the pages", "signing", "verifying and filing")


class BrokenSealError(Exception):
    """A card that was just signed does not verify: it is not filed."""


class NumberTakenError(Exception):
    """Another card of the same order was filed meanwhile: this one is drawn anew under the next number."""


def _given_up(claim: Claim, reason: str) -> None:
    order = WorkOrder.objects.select_related("shop").get(pk=claim.arguments["work_order"])
    ledger.append(
        "card.failed",
        chain=order.shop.code,
        by=ledger.System(),
        at=timezone.now(),
        sentence=f"The job card of {order.number} could not be rendered. {reason}",
        about=[order],
        data={"errand": str(claim.errand.pk), "reason": reason},
    )


@registry.handles(RENDER_CARD, "rendering and signing the job card", given_up=_given_up)
def render_card(claim: Claim) -> None:
    """Render, sign and file one job card; its row and ledger entry come about with the end of the errand.

    The file comes first, under its own hash. A worker that dies after that leaves a file without a row, and
    the next attempt files another; two workers on one errand end in one row, for one claim alone can finish.
    """
    # matplotlib, WeasyPrint, pyHanko: seconds and 100 MB that a web process, which only asks, does without.
    from jobs.signoffs import signing
    from jobs.signoffs.card import rendering

    pk = claim.arguments["work_order"]
    _progress(claim, 0)
    facts = card_facts.gather(pk)
    try:
        signer = keys.signer_of(facts.order.shop)
    except keys.SigningKeyError as error:
        raise CannotBeDone(str(error)) from error
    identity = rendering.Identity(
        number=_next_number(facts.order), token=secrets.token_urlsafe(24), rendered_at=timezone.now()
    )
    _progress(claim, 1)
    pdf = rendering.render(facts, identity)
    _progress(claim, 2)
    sealed = signing.seal(
        pdf,
        signer,
        reason=f"Job card {identity.number} of work order {facts.order.number}",
        location=facts.order.shop.name,
    )
    _progress(claim, 3)
    _check(sealed, identity)
    sha256 = filing.file_card(sealed.pdf)
    with claim.finishing():
        card = _record(facts, identity, sealed, sha256)
        claim.outcome = {"job_card": card.pk, "sha256": sha256}


def _progress(claim: Claim, stage: int) -> None:
    claim.progress(stage, len(STAGES), STAGES[stage])


def _next_number(order: WorkOrder) -> int:
    return (JobCard.objects.filter(work_order=order).aggregate(most=Max("number"))["most"] or 0) + 1


def _check(sealed: Seal, identity: Identity) -> None:
    """Verify as anyone would later, before anything is filed."""
    found = verification.check_signature(
        sealed.pdf, certificate_sha256=sealed.certificate_sha256, moment=identity.rendered_at
    )
    faults = [finding.sentence for finding in found if not finding.holds]
    if faults:
        raise BrokenSealError(" ".join(faults))


def _record(facts: card_facts.CardFacts, identity: Identity, sealed: Seal, sha256: str) -> JobCard:
    order = facts.order
    if JobCard.objects.filter(work_order=order, number=identity.number).exists():
        raise NumberTakenError(f"card {identity.number} of {order.number} was filed meanwhile")
    card = JobCard.objects.create(
        work_order=order,
        shop=order.shop,
        number=identity.number,
        token=identity.token,
        sha256=sha256,
        size_bytes=len(sealed.pdf),
        content_sha256=facts.content_sha256,
        certificate_sha256=sealed.certificate_sha256,
        certificate_subject=sealed.certificate_subject[:300],
        order_state=order.state,
        rendered_at=identity.rendered_at,
    )
    ledger.append(
        "card.filed",
        chain=order.shop.code,
        by=ledger.System(),
        at=identity.rendered_at,
        sentence=f"Job card {card.number} of {order.number} was rendered, signed and filed.",
        about=[card, order, order.unit, order.engine],
        data={
            "certificate_sha256": card.certificate_sha256,
            "content_sha256": card.content_sha256,
            "number": card.number,
            "sha256": card.sha256,
            "state": card.order_state,
        },
    )
    return card
