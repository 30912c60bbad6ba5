"""A certificate of one's own for the local network: who can listen in hears nothing."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from counting.files import write_bytes

__all__ = ["Certificate", "certificate"]

_DAYS = 397
"""Browsers refuse longer ones of public authorities (CA/Browser Forum Baseline Requirements
6.3.2, from memory); some hold every certificate to it."""
_LEFT = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Certificate:
    """A certificate with its key, as files.

    Attributes
    ----------
    chain, key : Path
        PEM files.
    fingerprint : str
        SHA-256 of the certificate, as browsers show it.
    """

    chain: Path
    key: Path
    fingerprint: str


def certificate(folder: Path, host: str) -> Certificate:
    """Return the certificate for a host, made when there is none that holds for it.

    Parameters
    ----------
    folder : Path
        Where certificate and key are kept; readable by their owner alone where the system can.
    host : str
        The machine's address on the local network.
    """
    chain, key = folder / "certificate.pem", folder / "key.pem"
    held = _read(chain)
    if held is None or not key.exists() or not _holds(held, host):
        held = _make(chain, key, host)
    digest = held.fingerprint(hashes.SHA256()).hex().upper()
    pairs = ":".join(digest[place : place + 2] for place in range(0, len(digest), 2))
    return Certificate(chain, key, pairs)


def _read(path: Path) -> x509.Certificate | None:
    try:
        return x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError):
        return None


def _holds(held: x509.Certificate, host: str) -> bool:
    """Tell whether a certificate names the host and lasts a while."""
    try:
        named = held.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return False
    hosts = {str(each) for each in named.get_values_for_type(x509.IPAddress)}
    return host in hosts and held.not_valid_after_utc - _LEFT > datetime.now(UTC)


def _make(chain: Path, key: Path, host: str) -> x509.Certificate:
    """Make and write a certificate that signs itself."""
    secret = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Contact sheet on this network")])
    begins = datetime.now(UTC) - timedelta(days=1)  # a phone's clock may lag
    names = x509.SubjectAlternativeName([x509.IPAddress(ip_address(host))])
    server = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(secret.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins)
        .not_valid_after(begins + timedelta(days=_DAYS))
        .add_extension(names, critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(server, critical=False)
        .sign(secret, hashes.SHA256())
    )
    chain.parent.mkdir(mode=0o700, exist_ok=True)
    plain = serialization.NoEncryption()
    form = serialization.PrivateFormat.PKCS8
    data = secret.private_bytes(serialization.Encoding.PEM, form, plain)
    write_bytes(key, data, replace=True)
    with suppress(OSError):
        key.chmod(0o600)
    write_bytes(chain, made.public_bytes(serialization.Encoding.PEM), replace=True)
    return made
