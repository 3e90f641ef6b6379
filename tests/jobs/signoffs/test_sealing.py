"""The seal on a job card: valid as filed, not valid after any change, by our own check and by poppler's."""

from __future__ import annotations

import hashlib
import random
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import weasyprint
from cryptography import x509
from cryptography.hazmat.primitives.serialization import pkcs12

from jobs.people.models import Shop
from jobs.signoffs import filing, keys, signing, verification
from tests.tools import tool

PAGE = "<title>A card</title><h1>BY-2026-0001</h1>" + "<p>A line of the record.</p>" * 40


@pytest.fixture(scope="module")
def page() -> bytes:
    pdf: bytes = weasyprint.HTML(string=PAGE).write_pdf()
    return pdf


@pytest.fixture
def seal(page: bytes, signing_key: Path, brackwater: Shop) -> signing.Seal:
    return signing.seal(page, keys.signer_of(brackwater), reason="Job card", location="Brackwater Yard")


def check(pdf: bytes, seal: signing.Seal) -> verification.Verification:
    return verification.check_bytes(
        pdf,
        sha256=hashlib.sha256(seal.pdf).hexdigest(),
        certificate_sha256=seal.certificate_sha256,
        moment=datetime.now(UTC),
    )


def signature_holds(pdf: bytes, seal: signing.Seal) -> bool:
    """Without the help of the recorded hash of the file."""
    found = verification.check_signature(pdf, certificate_sha256=seal.certificate_sha256, moment=datetime.now(UTC))
    return all(finding.holds for finding in found)


def pdfsig(pdf: bytes, folder: Path) -> str:
    path = folder / "card.pdf"
    path.write_bytes(pdf)
    command = [tool("pdfsig", "poppler-utils"), str(path)]
    return subprocess.run(command, capture_output=True, text=True, check=False).stdout


def signed_ranges(pdf: bytes) -> list[range]:
    start = pdf.index(b"/ByteRange")
    first, length, second, rest = map(int, pdf[pdf.index(b"[", start) + 1 : pdf.index(b"]", start)].split())
    return [range(first, first + length), range(second, second + rest)]


def test_a_sealed_card_holds(seal: signing.Seal) -> None:
    found = check(seal.pdf, seal)
    assert found.holds
    assert {finding.name for finding in found.findings} == {"file", "signature", "coverage", "certificate"}


def test_poppler_calls_it_valid_over_the_whole_document(seal: signing.Seal, tmp_path: Path) -> None:
    said = pdfsig(seal.pdf, tmp_path)
    assert "Signature is Valid." in said
    assert "Total document signed" in said
    assert "ETSI.CAdES.detached" in said


def test_every_flipped_byte_in_the_signed_ranges_is_caught(seal: signing.Seal) -> None:
    chosen = random.Random(20)
    before, after = signed_ranges(seal.pdf)
    assert after.stop == len(seal.pdf)
    for place in [
        before[0],
        before[-1],
        after[0],
        after[-1],
        *chosen.choices(before, k=20),
        *chosen.choices(after, k=8),
    ]:
        pdf = bytearray(seal.pdf)
        pdf[place] ^= 1 << chosen.randrange(8)
        assert not signature_holds(bytes(pdf), seal), f"byte {place}"


def test_poppler_does_not_call_it_valid_after_one_byte(seal: signing.Seal, tmp_path: Path) -> None:
    pdf = bytearray(seal.pdf)
    pdf[signed_ranges(seal.pdf)[0].stop // 2] ^= 1
    assert "Signature is Valid." not in pdfsig(bytes(pdf), tmp_path)


@pytest.mark.parametrize("more", [b"\n", b"\n% a remark\n", b"\n1 0 obj\n<</Type/Catalog>>\nendobj\n%%EOF\n"])
def test_appended_bytes_are_caught_though_the_signature_stays_valid(seal: signing.Seal, more: bytes) -> None:
    found = {finding.name: finding.holds for finding in check(seal.pdf + more, seal).findings}
    assert not found["file"]
    assert not found.get("coverage", False)


def test_any_byte_inside_the_signature_container_is_caught_by_the_hash(seal: signing.Seal) -> None:
    before, after = signed_ranges(seal.pdf)
    for place in range(before.stop, after.start, 977):
        pdf = bytearray(seal.pdf)
        pdf[place] ^= 1
        assert not check(bytes(pdf), seal).holds


@pytest.mark.parametrize("pdf", [b"", b"%PDF-1.7", b"not a PDF at all", PAGE.encode()])
def test_what_is_no_signed_pdf_does_not_hold(seal: signing.Seal, pdf: bytes) -> None:
    assert not check(pdf, seal).holds


def test_a_card_without_a_signature_does_not_hold(seal: signing.Seal) -> None:
    assert not signature_holds(weasyprint.HTML(string=PAGE).write_pdf(), seal)


def test_a_card_sealed_by_another_key_does_not_hold(seal: signing.Seal, port_ansel: Shop, settings: Any) -> None:
    keys.make_demo_key(port_ansel, now=datetime.now(UTC))
    pdf = weasyprint.HTML(string=PAGE).write_pdf()
    other = signing.seal(pdf, keys.signer_of(port_ansel), reason="Job card", location="Port Ansel")
    found = verification.check_signature(
        other.pdf, certificate_sha256=seal.certificate_sha256, moment=datetime.now(UTC)
    )
    assert [finding.name for finding in found if not finding.holds] == ["certificate"]


def test_a_certificate_that_expired_since_does_not_undo_a_seal(seal: signing.Seal) -> None:
    found = verification.check_signature(
        seal.pdf,
        certificate_sha256=seal.certificate_sha256,
        moment=datetime.now(UTC) + timedelta(days=366 * keys.SIGNER_YEARS),
    )
    assert all(finding.holds for finding in found)


# --- Keys -----------------------------------------------------------------------------------------------


def test_the_demo_certificate_is_for_signing_records_and_says_demo(signing_key: Path, settings: Any) -> None:
    passphrase = Path(settings.SIGNING_PASSPHRASE_FILE).read_bytes()
    _, certificate, authorities = pkcs12.load_key_and_certificates(signing_key.read_bytes(), passphrase)
    assert certificate is not None
    usage = certificate.extensions.get_extension_for_class(x509.KeyUsage).value
    assert usage.digital_signature
    assert usage.content_commitment
    assert not usage.key_cert_sign
    assert not usage.key_encipherment
    assert "demo" in certificate.subject.rfc4514_string()
    certificate.verify_directly_issued_by(authorities[0])


def test_the_demo_key_is_made_once_and_for_its_owner_alone(signing_key: Path, brackwater: Shop, settings: Any) -> None:
    content = signing_key.read_bytes()
    assert keys.make_demo_key(brackwater, now=datetime.now(UTC)) == signing_key
    assert signing_key.read_bytes() == content
    for path in (signing_key, Path(settings.SIGNING_PASSPHRASE_FILE)):
        assert path.stat().st_mode & 0o077 == 0


def test_no_key_is_made_for_a_real_shop(brackwater: Shop) -> None:
    brackwater.is_demo = False
    with pytest.raises(keys.SigningKeyError, match="not a demo shop"):
        keys.make_demo_key(brackwater, now=datetime.now(UTC))


def test_a_missing_key_says_what_to_set(brackwater: Shop, settings: Any, tmp_path: Path) -> None:
    settings.SIGNING_P12 = str(tmp_path / "{shop}.p12")
    with pytest.raises(keys.SigningKeyError, match="MIDFLANK_SIGNING_P12"):
        keys.signer_of(brackwater)


def test_a_wrong_passphrase_says_what_to_check(signing_key: Path, brackwater: Shop, settings: Any) -> None:
    settings.SIGNING_PASSPHRASE = "wrong"
    with pytest.raises(keys.SigningKeyError, match="MIDFLANK_SIGNING_PASSPHRASE"):
        keys.signer_of(brackwater)


def test_the_passphrase_of_the_environment_comes_before_the_file(
    signing_key: Path, brackwater: Shop, settings: Any
) -> None:
    settings.SIGNING_PASSPHRASE = Path(settings.SIGNING_PASSPHRASE_FILE).read_text()
    settings.SIGNING_PASSPHRASE_FILE = "/nowhere"
    assert keys.signer_of(brackwater).signing_cert is not None


# --- Filing ---------------------------------------------------------------------------------------------


def test_a_card_lies_under_its_hash_and_is_not_written_twice(settings: Any, tmp_path: Path) -> None:
    settings.CARD_DIR = tmp_path
    sha256 = filing.file_card(b"%PDF a card")
    path = filing.store().path(sha256)
    assert (path.name, sha256) == (f"{sha256}.pdf", hashlib.sha256(b"%PDF a card").hexdigest())
    written = path.stat().st_mtime_ns
    assert filing.file_card(b"%PDF a card") == sha256
    assert path.stat().st_mtime_ns == written
    assert [one for one in tmp_path.rglob("*") if one.is_file()] == [path]
