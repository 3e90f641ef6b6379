"""Sealing a rendered job card: PAdES baseline B-B (ETSI EN 319 142-1) with the shop's certificate.

The field is invisible: what a reader must see of the sign-offs is printed in the page itself.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass

from pyhanko.pdf_utils.incremental_writer import IncrementalPdfFileWriter
from pyhanko.sign.fields import InvisSigSettings, SigFieldSpec, SigSeedSubFilter
from pyhanko.sign.signers import PdfSignatureMetadata, SimpleSigner, sign_pdf

FIELD = "MidflankJobCard"


@dataclass(frozen=True)
class Seal:
    """A sealed PDF and the certificate that sealed it."""

    pdf: bytes
    certificate_sha256: str
    certificate_subject: str


def seal(pdf: bytes, signer: SimpleSigner, *, reason: str, location: str) -> Seal:
    """Sign the whole file once; nothing is added after the signature."""
    certificate = signer.signing_cert
    assert certificate is not None  # keys.signer_of saw to it
    metadata = PdfSignatureMetadata(
        field_name=FIELD,
        md_algorithm="sha256",
        subfilter=SigSeedSubFilter.PADES,
        reason=reason,
        location=location,
    )
    field = SigFieldSpec(
        sig_field_name=FIELD,
        on_page=0,
        box=(0, 0, 0, 0),
        invis_sig_settings=InvisSigSettings(box_out_of_bounds=True),
    )
    output = io.BytesIO()
    sign_pdf(IncrementalPdfFileWriter(io.BytesIO(pdf)), metadata, signer, new_field_spec=field, output=output)
    return Seal(
        pdf=output.getvalue(),
        certificate_sha256=hashlib.sha256(certificate.dump()).hexdigest(),
        certificate_subject=certificate.subject.human_friendly,
    )
