"""The certificate of this machine for the shop's network: made here, kept in the data folder, known to no authority.

Browsers warn of it once on each device; its fingerprint, printed at the start, is what to compare there.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from hoodnote.errors import HoodnoteError
from hoodnote.jobs.faults import from_os
from hoodnote.web.people import write_private

if TYPE_CHECKING:
    from cryptography.x509 import Certificate, GeneralName

FILE = "serve.pem"
_GOOD_FOR = timedelta(days=397)        # what browsers put up with at most is longer, from memory
_ANEW_BEFORE = timedelta(days=30)
_SKEW = timedelta(days=1)              # a phone whose clock is behind


def certificate(data_dir: Path, names: Sequence[str], now: datetime | None = None) -> tuple[Path, str]:
    """The file with certificate and key, made when there is none for these names or it ends soon; and its SHA-256 fingerprint."""
    path, now = data_dir / FILE, now or datetime.now(UTC)
    wanted = [n for n in ("localhost", "127.0.0.1", "::1", *names) if _general_name(n) is not None]
    kept = _kept(path)
    if kept is None or not kept.not_valid_before_utc <= now < kept.not_valid_after_utc - _ANEW_BEFORE or not _names(kept) >= set(wanted):
        kept = _make(path, wanted, now)
    try:
        path.chmod(0o600)
    except OSError as error:
        raise from_os(error, path) from error
    return path, fingerprint(kept)


def fingerprint(made: Certificate) -> str:
    """As browsers show it."""
    from cryptography.hazmat.primitives import hashes

    return made.fingerprint(hashes.SHA256()).hex(":").upper()


def _kept(path: Path) -> Certificate | None:
    from cryptography import x509

    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except FileNotFoundError:
        return None
    except ValueError as error:
        raise HoodnoteError(f"{path} holds no certificate; remove it, a new one is made then") from error
    except OSError as error:
        raise from_os(error, path) from error


def _names(made: Certificate) -> set[str]:
    from cryptography import x509

    names = made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return {*names.get_values_for_type(x509.DNSName), *map(str, names.get_values_for_type(x509.IPAddress))}


def _make(path: Path, names: Sequence[str], now: datetime) -> Certificate:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "hoodnote")])
    usage = x509.KeyUsage(digital_signature=True, content_commitment=False, key_encipherment=False, data_encipherment=False, key_agreement=False,
                          key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number()).not_valid_before(now - _SKEW).not_valid_after(now + _GOOD_FOR)
        .add_extension(x509.SubjectAlternativeName([_general_name(n) for n in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    pem = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    write_private(path, made.public_bytes(serialization.Encoding.PEM) + pem)
    return made


def _general_name(name: str) -> GeneralName | None:
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name) if _is_dns(name) else None


def _is_dns(name: str) -> bool:
    """Letters, digits, hyphens and dots, RFC 1123 2.1. A machine may be called otherwise; it is then reached by its address."""
    return re.fullmatch(r"(?!-)[A-Za-z0-9-]{1,63}(\.[A-Za-z0-9-]{1,63})*", name) is not None
