"""The shop's signing key: a PKCS#12 file with its passphrase, and one made on the spot for the demo.

In production the file and its passphrase come from the environment (`MIDFLANK_SIGNING_P12`,
`MIDFLANK_SIGNING_PASSPHRASE` or `MIDFLANK_SIGNING_PASSPHRASE_FILE`); ``{shop}`` in either path stands for
the shop's code, so that each shop can sign with its own. The certificate needs the key usage
*non-repudiation* (content commitment), which is what a signature over a record asserts.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.hazmat.primitives.serialization import pkcs12
from cryptography.x509.oid import NameOID
from django.conf import settings

from jobs.people.models import Shop

if TYPE_CHECKING:
    from pyhanko.sign.signers import SimpleSigner

KEY_BITS = 3072  # NIST SP 800-57 part 1: 128 bits of strength, for signatures beyond 2030
CA_YEARS, SIGNER_YEARS = 20, 10


class SigningKeyError(Exception):
    """The shop's signing key cannot be used; the sentence says what an administrator must do."""


def paths_of(shop: Shop) -> tuple[Path, Path]:
    """Where this shop's PKCS#12 file and its passphrase file are looked for."""
    return (
        Path(str(settings.SIGNING_P12).replace("{shop}", shop.code)),
        Path(str(settings.SIGNING_PASSPHRASE_FILE).replace("{shop}", shop.code)),
    )


def signer_of(shop: Shop) -> SimpleSigner:
    """The signer for this shop's job cards; raises `SigningKeyError`."""
    p12_path, _ = paths_of(shop)
    if not p12_path.is_file():
        raise SigningKeyError(
            f"No signing key for {shop.name}: there is no file {p12_path.name} where the settings look. "
            "An administrator sets MIDFLANK_SIGNING_P12 to the shop's PKCS#12 file."
        )
    from pyhanko.sign.signers import SimpleSigner

    load: Callable[..., SimpleSigner | None] = SimpleSigner.load_pkcs12
    signer = load(str(p12_path), passphrase=_passphrase(shop))
    if signer is None or signer.signing_cert is None:
        raise SigningKeyError(
            f"The signing key {p12_path.name} of {shop.name} does not open with the passphrase given. "
            "An administrator checks MIDFLANK_SIGNING_PASSPHRASE or its file."
        )
    usage = signer.signing_cert.key_usage_value
    if usage is not None and "non_repudiation" not in usage.native:
        raise SigningKeyError(
            f"The certificate in {p12_path.name} is not for signing records: its key usage lacks non-repudiation."
        )
    return signer


def _passphrase(shop: Shop) -> bytes:
    if settings.SIGNING_PASSPHRASE:
        return str(settings.SIGNING_PASSPHRASE).encode("utf-8")
    _, passphrase_path = paths_of(shop)
    try:
        return passphrase_path.read_bytes().strip()
    except OSError:
        raise SigningKeyError(
            f"The passphrase of the signing key of {shop.name} is not given. An administrator sets "
            "MIDFLANK_SIGNING_PASSPHRASE, or MIDFLANK_SIGNING_PASSPHRASE_FILE to a file that holds it."
        ) from None


def make_demo_key(shop: Shop, *, now: datetime) -> Path:
    """Make a signing key for a demo shop where there is none yet; returns the PKCS#12 file.

    A certificate authority of its own signs the signing certificate and its key is then forgotten, so the
    certificate proves nothing about anyone: it is marked as demo in its subject.
    """
    if not shop.is_demo:
        raise SigningKeyError(f"{shop.name} is not a demo shop: its signing key is not made here.")
    p12_path, passphrase_path = paths_of(shop)
    if p12_path.exists():
        return p12_path
    passphrase = settings.SIGNING_PASSPHRASE or _kept_passphrase(passphrase_path)
    _write_new(p12_path, _demo_p12(shop, str(passphrase).encode("utf-8"), now))
    return p12_path


def _kept_passphrase(path: Path) -> str:
    if not path.exists():
        _write_new(path, secrets.token_urlsafe(32).encode("ascii"))
    return path.read_text(encoding="ascii").strip()


def _write_new(path: Path, content: bytes) -> None:
    """Write for the owner only; where another process was first, its file stays."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(8)}")
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.link(temporary, path)
    except FileExistsError:
        return
    finally:
        temporary.unlink()


def _demo_p12(shop: Shop, passphrase: bytes, now: datetime) -> bytes:
    ca_key = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
    key = rsa.generate_private_key(public_exponent=65537, key_size=KEY_BITS)
    ca_name = _name(shop, "demo certificate authority")
    ca = (
        _builder(ca_name, ca_name, ca_key.public_key(), now, CA_YEARS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage("key_cert_sign", "crl_sign"), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(ca_key.public_key()), critical=False)
        .sign(ca_key, hashes.SHA256())
    )
    authority = x509.AuthorityKeyIdentifier.from_issuer_public_key(ca_key.public_key())
    certificate = (
        _builder(_name(shop, "demo job cards"), ca_name, key.public_key(), now, SIGNER_YEARS)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage("digital_signature", "content_commitment"), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(authority, critical=False)
        .sign(ca_key, hashes.SHA256())
    )
    return pkcs12.serialize_key_and_certificates(
        name=b"midflank demo",
        key=key,
        cert=certificate,
        cas=[ca],
        encryption_algorithm=serialization.BestAvailableEncryption(passphrase),
    )


def _builder(
    subject: x509.Name, issuer: x509.Name, key: rsa.RSAPublicKey, now: datetime, years: int
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))  # a worker whose clock is behind can still sign
        .not_valid_after(now + timedelta(days=365 * years))
    )


def _name(shop: Shop, purpose: str) -> x509.Name:
    return x509.Name(
        [
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, shop.railway[:64]),
            x509.NameAttribute(NameOID.ORGANIZATIONAL_UNIT_NAME, shop.name[:64]),
            x509.NameAttribute(NameOID.COMMON_NAME, f"{shop.name} {purpose}"[:64]),
        ]
    )


def _usage(*names: str) -> x509.KeyUsage:
    every = (
        "digital_signature", "content_commitment", "key_encipherment", "data_encipherment", "key_agreement",
        "key_cert_sign", "crl_sign", "encipher_only", "decipher_only",
    )  # fmt: skip
    return x509.KeyUsage(**{name: name in names for name in every})
