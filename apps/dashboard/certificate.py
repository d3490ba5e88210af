"""The certificate of the dashboard on the local network: one that the user names, or passim's own.

No authority signs certificates for the addresses of a home, so passim signs its own, and says its fingerprint on the
terminal: whoever finds the same one on the phone talks to this machine and to nobody in between. Key and certificate
lie in one file of the workspace that only its owner may read, and are kept, so that a phone is warned once and not
every day.
"""

from __future__ import annotations

import datetime as dt
import ipaddress
import ssl
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.types import PrivateKeyTypes
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from passim.elements import atomic
from passim.errors import InputError

FILE_NAME: Final = ".dashboard-certificate"
# Browsers take certificates of at most 398 days from authorities (CA/Browser Forum, recalled), and phones at most 825
# from anybody.
_LASTS: Final = dt.timedelta(days=397)
_RENEWED_BEFORE_END: Final = dt.timedelta(days=7)
# The clock of a phone may be behind.
_BEGINS_BEFORE: Final = dt.timedelta(days=1)
_MOST_NAMES: Final = 24
_LARGEST_BYTES: Final = 2**20

_PEM: Final = "PEM text, which begins with -----BEGIN"


@dataclass(frozen=True)
class Certificate:
    """What the server shows: the context for its connections, and what is told of it.

    `fingerprint` is SHA-256 of the certificate, pairs of hexadecimal digits with colons; `names` what it is made out
    to, addresses too, wildcards (`*.`) as they stand.
    """

    context: ssl.SSLContext
    fingerprint: str
    names: tuple[str, ...]
    until: dt.datetime
    is_own: bool = False
    is_new: bool = False
    replaces: bool = False


def named_certificate(certificate: Path, key: Path | None, now: dt.datetime) -> Certificate:
    """Return a certificate from the files that a user names; without `key` its private key stands in the same file.

    Those of the authorities between it and one that browsers know may follow it. Raises InputError.
    """
    try:
        chain = x509.load_pem_x509_certificates(_read(certificate, "certificate"))
    except ValueError:
        raise InputError(
            f"certificate {certificate.name}", got="other text", wanted=f"a certificate as {_PEM} CERTIFICATE-----"
        ) from None
    first, key_file = chain[0], key or certificate
    if _private_key(key_file).public_key() != first.public_key():
        raise InputError(
            f"private key {key_file.name}",
            got="that of another certificate",
            wanted=f"the one that {certificate.name} was made with",
        )
    if not first.not_valid_before_utc <= now <= first.not_valid_after_utc:
        raise InputError(
            f"certificate {certificate.name}",
            got=f"one that holds from {first.not_valid_before_utc:%Y-%m-%d} to {first.not_valid_after_utc:%Y-%m-%d}",
            wanted="one that holds today",
        )
    try:
        return _shown(first, _context(certificate, key_file))
    except ssl.SSLError as error:
        why = (error.reason or "unknown").replace("_", " ").lower()
        raise InputError(f"certificate {certificate.name}", got=why, wanted="one that TLS takes today") from None


def own_certificate(folder: Path, names: Sequence[str], now: dt.datetime) -> Certificate:
    """Return passim's own certificate for names and addresses of this machine, kept in the workspace's `folder`.

    It is made where there is none, and made anew, with the same key, where it lacks one of `names` or is about to
    end. Raises InputError.
    """
    file = folder / FILE_NAME
    kept = _kept(file)
    if kept is not None and _holds(kept[1], names, now):
        return _shown(kept[1], _context(file, file), is_own=True)
    key = ec.generate_private_key(ec.SECP256R1()) if kept is None else kept[0]
    # What it was made out to before stays, so that a machine between two networks does not change it every time.
    before = () if kept is None else _names_of(kept[1])
    made = _signed(key, list(dict.fromkeys([*names, *before]))[:_MOST_NAMES], now)
    data = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ) + made.public_bytes(serialization.Encoding.PEM)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        atomic.write_atomically(file, data, private=True)
    except OSError as error:
        raise InputError(
            f"folder {folder} cannot be written: {error.strerror}", try_next="a workspace in a folder of your own"
        ) from None
    return _shown(made, _context(file, file), is_own=True, is_new=True, replaces=kept is not None)


def _kept(file: Path) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate] | None:
    """Return the key and certificate of last time; None where there are none, or where the file holds them no more."""
    try:
        data = file.read_bytes()
        key = serialization.load_pem_private_key(data, None)
        found = x509.load_pem_x509_certificate(data)
    except (OSError, ValueError, TypeError, UnsupportedAlgorithm):
        return None
    if not isinstance(key, ec.EllipticCurvePrivateKey) or key.public_key() != found.public_key():
        return None
    return key, found


def _holds(certificate: x509.Certificate, names: Iterable[str], now: dt.datetime) -> bool:
    # Many machines take another address of IPv6 every day (RFC 8981): a missing one is no reason for another
    # fingerprint.
    wanted = {name for name in names if ":" not in name}
    return (
        wanted <= set(_names_of(certificate))
        and certificate.not_valid_before_utc <= now < certificate.not_valid_after_utc - _RENEWED_BEFORE_END
    )


def _signed(key: ec.EllipticCurvePrivateKey, names: Sequence[str], now: dt.datetime) -> x509.Certificate:
    """Return a certificate of a server, signed by its own key."""
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "passim dashboard, signed by itself")])
    alternatives: list[x509.GeneralName] = []
    for each in names:
        try:
            alternatives.append(x509.IPAddress(ipaddress.ip_address(each)))
        except ValueError:
            alternatives.append(x509.DNSName(each))
    digital_signature_alone = x509.KeyUsage(
        digital_signature=True, content_commitment=False, key_encipherment=False, data_encipherment=False,
        key_agreement=False, key_cert_sign=False, crl_sign=False, encipher_only=False, decipher_only=False,
    )  # fmt: skip
    return (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - _BEGINS_BEFORE)
        .not_valid_after(now + _LASTS)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(digital_signature_alone, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )


def _shown(
    certificate: x509.Certificate,
    context: ssl.SSLContext,
    *,
    is_own: bool = False,
    is_new: bool = False,
    replaces: bool = False,
) -> Certificate:
    return Certificate(
        context,
        certificate.fingerprint(hashes.SHA256()).hex(":").upper(),
        _names_of(certificate),
        certificate.not_valid_after_utc,
        is_own,
        is_new,
        replaces,
    )


def _names_of(certificate: x509.Certificate) -> tuple[str, ...]:
    """Return the names and addresses that a certificate is made out to, in small letters."""
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (x509.ExtensionNotFound, ValueError):
        return ()
    names = [name.lower() for name in found.get_values_for_type(x509.DNSName)]
    return (*names, *map(str, found.get_values_for_type(x509.IPAddress)))


def _context(certificate: Path, key: Path) -> ssl.SSLContext:
    """Return what connections are encrypted by. Raises ssl.SSLError."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_RENEGOTIATION
    # It would ask for a password on the terminal.
    context.load_cert_chain(certificate, key, password="")
    return context


def _private_key(file: Path) -> PrivateKeyTypes:
    data, what = _read(file, "private key"), f"private key {file.name}"
    try:
        return serialization.load_pem_private_key(data, None)
    except TypeError:
        raise InputError(
            what, got="one locked by a password", wanted="one without, in a file that only you may read"
        ) from None
    except (ValueError, UnsupportedAlgorithm):
        raise InputError(what, got="other text", wanted=f"a private key as {_PEM} PRIVATE KEY-----") from None


def _read(file: Path, what: str) -> bytes:
    try:
        with file.open("rb") as opened:
            data = opened.read(_LARGEST_BYTES + 1)
    except OSError as error:
        why = (error.strerror or "unknown").lower()
        raise InputError(f"{what} {file.name}", got=why, wanted="a file that can be read") from None
    if len(data) > _LARGEST_BYTES:
        raise InputError(f"{what} {file.name}", got="more than 1 MB", wanted=_PEM)
    return data
