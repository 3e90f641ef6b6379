"""Whether the bytes of a job card are what was filed, and whether their signature holds.

A validator alone does not catch everything: bytes appended after the last signature and some bytes inside
the signature container itself leave a signature "valid". So three facts are established, and each counts:
the SHA-256 of the bytes is the recorded one; the one signature holds and covers the entire file; the
certificate that made it is the one recorded when the card was filed (in its row and in the ledger), which
is what the signature is trusted on. Trust is judged as of filing: a certificate that has expired since
does not undo what it signed.
"""

from __future__ import annotations

import asyncio
import hashlib
import io
import json
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from jobs.ledger import queries as ledger
from jobs.ledger import subjects
from jobs.orders.storage import BytesMissingError
from jobs.signoffs import filing
from jobs.signoffs.models import JobCard

if TYPE_CHECKING:
    from pyhanko.sign.validation.status import PdfSignatureStatus


@dataclass(frozen=True)
class Finding:
    """One fact about a card, whether it is as it should be, and the sentence that says so."""

    name: str
    holds: bool
    sentence: str


@dataclass(frozen=True)
class Verification:
    """What was found about a card's bytes; it holds when every finding does."""

    findings: tuple[Finding, ...]

    @property
    def holds(self) -> bool:
        return bool(self.findings) and all(finding.holds for finding in self.findings)

    @property
    def faults(self) -> list[str]:
        return [finding.sentence for finding in self.findings if not finding.holds]


def check(card: JobCard) -> Verification:
    """Check the filed bytes of a card."""
    recorded = _recorded(card)
    try:
        pdf = filing.read_as_it_lies(card.sha256)
    except BytesMissingError as missing:
        return Verification((recorded, Finding("file", False, str(missing))))
    found = check_bytes(pdf, sha256=card.sha256, certificate_sha256=card.certificate_sha256, moment=card.rendered_at)
    return Verification((recorded, *found.findings))


def _recorded(card: JobCard) -> Finding:
    """Whether the card's row says what the ledger recorded when it was filed."""
    type_, key = subjects.name_of(card)
    entry = ledger.about(type_, key).filter(kind="card.filed").last()
    data = json.loads(entry.body).get("data", {}) if entry is not None else {}
    holds = (data.get("sha256"), data.get("certificate_sha256")) == (card.sha256, card.certificate_sha256)
    return Finding(
        "record",
        holds,
        "The history recorded this SHA-256 and this certificate when the card was filed."
        if holds
        else "The history recorded another SHA-256 or certificate for this card, or none.",
    )


def check_bytes(pdf: bytes, *, sha256: str, certificate_sha256: str, moment: datetime) -> Verification:
    """Check bytes against the recorded SHA-256 of file and certificate; never raises for what they hold."""
    got = hashlib.sha256(pdf).hexdigest()
    same = got == sha256
    file = Finding(
        "file",
        same,
        "The file is, byte for byte, the one that was filed."
        if same
        else f"The file is not what was filed: its SHA-256 begins {got[:16]}, filed was {sha256[:16]}.",
    )
    return Verification((file, *check_signature(pdf, certificate_sha256=certificate_sha256, moment=moment)))


def check_signature(pdf: bytes, *, certificate_sha256: str, moment: datetime) -> tuple[Finding, ...]:
    """What the signature inside says: cryptographically, about its extent, about its certificate."""
    try:
        return _signature_findings(pdf, certificate_sha256, moment)
    except Exception as error:  # noqa: BLE001 - altered bytes break the parser in every way there is
        return (Finding("signature", False, f"No signature can be read in the file ({type(error).__name__})."),)


def _signature_findings(pdf: bytes, certificate_sha256: str, moment: datetime) -> tuple[Finding, ...]:
    # Half a second to load, and few processes ever look at a card.
    from pyhanko.pdf_utils.reader import PdfFileReader
    from pyhanko.sign.validation import async_validate_pdf_signature
    from pyhanko_certvalidator import ValidationContext

    signatures = PdfFileReader(io.BytesIO(pdf)).embedded_signatures
    if len(signatures) != 1:
        return (Finding("signature", False, f"The file has {len(signatures)} signatures; a job card has one."),)
    signature = signatures[0]
    certificate = signature.signer_cert
    found = hashlib.sha256(certificate.dump()).hexdigest()
    # The recorded certificate is itself the anchor of trust: nothing above it is asked.
    context = ValidationContext(trust_roots=[certificate], moment=moment, allow_fetching=False)
    status = asyncio.run(async_validate_pdf_signature(signature, signer_validation_context=context))
    return (_intact(status), _whole(status), _ours(found, certificate_sha256))


def _intact(status: PdfSignatureStatus) -> Finding:
    holds = bool(status.bottom_line)
    return Finding(
        "signature",
        holds,
        "Its signature is valid." if holds else "Its signature is not valid: what was signed has been altered.",
    )


def _whole(status: PdfSignatureStatus) -> Finding:
    from pyhanko.sign.validation.status import SignatureCoverageLevel

    holds = status.coverage == SignatureCoverageLevel.ENTIRE_FILE
    return Finding(
        "coverage",
        holds,
        "The signature covers the entire file."
        if holds
        else "The signature does not cover the entire file: something was added to it later.",
    )


def _ours(found: str, recorded: str) -> Finding:
    holds = found == recorded
    return Finding(
        "certificate",
        holds,
        "It was made with the certificate that was recorded when the card was filed."
        if holds
        else "It was made with another certificate than the one recorded when the card was filed.",
    )
