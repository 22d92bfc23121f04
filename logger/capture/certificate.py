"""Certificates made on the spot, since a browser gives its sensors only to pages over https.

The usual one signs itself: the phone warns once and the user goes on. With an authority of its own
the phone can be set to trust it, which a browser wants before it keeps a page for offline use; the
authority's key is thrown away as soon as the server's certificate is signed, and the authority can
speak for this computer's own addresses and names only.

The limits follow RFC 5280 (extensions, name constraints) and what browsers ask of a server's
certificate: the address among the subject's alternative names, use as a server, at most 398 days
(CA/Browser Forum, Baseline Requirements, section 6.3.2; from memory).
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from logger.capture.address import Place
from logger.errors import PullcoastError
from logger.source import read_regular

__all__ = ["CertificateError", "Identity", "issue", "make_authority", "provide_identity"]

#: From a day before, since clocks differ, to less than 397 days after the first moment.
_BEFORE = timedelta(days=1)
_LIFE = timedelta(days=396)
#: Made anew this long before the end, so that none ends in the middle of a day out.
_RENEW = timedelta(days=30)
#: A name that can never exist (RFC 2606), to forbid names to an authority for addresses only.
#: Certificate, authority and key have some 4 kB.
_LARGEST_PEM_BYTES = 100_000
_NO_NAME = "pullcoast.invalid"


class CertificateError(PullcoastError, OSError):
    """The folder for certificates cannot be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """The server's certificate.

    Parameters
    ----------
    file : Path
        Key and certificate in one PEM file that only its owner may read.
    authority : bytes or None
        The authority's certificate (DER) for the phone to install; None without one.
    fingerprint : str
        SHA-256 of the server's certificate, as browsers show it.
    not_after : datetime
        Last moment of validity.
    made_now : bool
        Whether it is new: the phone will warn again, or needs the new authority.
    """

    file: Path
    authority: bytes | None
    fingerprint: str
    not_after: datetime
    made_now: bool


def provide_identity(
    folder: Path, place: Place, *, authority: bool = False, now: datetime | None = None
) -> Identity:
    """Return the certificate kept in `folder`, or make a new one where it does not fit any more.

    Parameters
    ----------
    folder : Path
        Made when missing, for its owner only.
    place : Place
        Addresses and names that the certificate must hold.
    authority : bool
        Whether an authority of its own signs it.
    now : datetime, optional
        With time zone; the clock's when None.

    Returns
    -------
    Identity
        Valid for at least a month more.

    Raises
    ------
    CertificateError
        The folder cannot be made or written to.
    """
    now = now or datetime.now(UTC)
    file = folder / ("server-with-authority.pem" if authority else "server.pem")
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        kept = _kept(file, place, authority, now)
        if kept is not None:
            return kept
        _write_private(file, _make(place, authority, now))
        made = _kept(file, place, authority, now)
    except OSError as error:
        msg = (
            f"{folder}: cannot keep a certificate there: {error.strerror or error}. "
            "Choose another folder with --keys"
        )
        raise CertificateError(error.errno, msg) from error
    if made is None:
        msg = f"{file}: a new certificate did not come back as it was written. Check the disk"
        raise CertificateError(msg)
    return Identity(
        file=made.file,
        authority=made.authority,
        fingerprint=made.fingerprint,
        not_after=made.not_after,
        made_now=True,
    )


def _make(place: Place, authority: bool, now: datetime) -> bytes:
    """Return key, certificate and, where there is one, the authority's certificate as PEM."""
    key = ec.generate_private_key(ec.SECP256R1())
    if authority:
        ca_key, ca = make_authority(place, now)
        certificate = issue(key, place.addresses, place.names, now, signer=(ca_key, ca))
        del ca_key  # nothing else is ever signed with it
        chain = [certificate, ca]
    else:
        chain = [issue(key, place.addresses, place.names, now)]
    pem = key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
    return pem + b"".join(item.public_bytes(serialization.Encoding.PEM) for item in chain)


def _subject(text: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, text[:64])])


def issue(
    key: ec.EllipticCurvePrivateKey,
    addresses: Sequence[str],
    names: Sequence[str],
    now: datetime,
    *,
    signer: tuple[ec.EllipticCurvePrivateKey, x509.Certificate] | None = None,
) -> x509.Certificate:
    """Return a server's certificate.

    Parameters
    ----------
    key : private key
        The server's.
    addresses, names : sequence of str
        IP addresses and host names that it holds for; at least one of all.
    now : datetime
        With time zone.
    signer : (key, certificate), optional
        The authority's; the certificate signs itself when None.
    """
    title = _subject(f"pullcoast capture {next(iter([*addresses, *names]))}")
    signing_key, issuer = (key, title) if signer is None else (signer[0], signer[1].subject)
    authority_key = key.public_key() if signer is None else signer[0].public_key()
    alternatives: list[x509.GeneralName] = [
        x509.IPAddress(ipaddress.ip_address(text)) for text in addresses
    ]
    alternatives += [x509.DNSName(name) for name in names]
    usage = x509.KeyUsage(
        digital_signature=True, content_commitment=False, key_encipherment=False,
        data_encipherment=False, key_agreement=False, key_cert_sign=False, crl_sign=False,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip
    return (
        _begun(title, issuer, key, now)
        .add_extension(x509.SubjectAlternativeName(alternatives), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key), critical=False
        )
        .sign(signing_key, hashes.SHA256())
    )


def _begun(
    title: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePrivateKey, now: datetime
) -> x509.CertificateBuilder:
    """Return a certificate of a key with its names and its time, but no extension yet."""
    return (
        x509.CertificateBuilder()
        .subject_name(title)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _BEFORE)
        .not_valid_after(now - _BEFORE + _LIFE)
    )


def make_authority(
    place: Place, now: datetime
) -> tuple[ec.EllipticCurvePrivateKey, x509.Certificate]:
    """Return key and certificate of an authority for the addresses and names of `place` alone.

    Parameters
    ----------
    place : Place
        What it may speak for (RFC 5280, section 4.2.1.10).
    now : datetime
        With time zone.
    """
    key = ec.generate_private_key(ec.SECP256R1())
    title = _subject(f"pullcoast authority {now:%Y-%m-%d} for {place.host}")
    permitted: list[x509.GeneralName] = [
        x509.IPAddress(ipaddress.ip_network(text)) for text in place.addresses
    ]
    permitted += [x509.DNSName(name) for name in place.names or (_NO_NAME,)]
    usage = x509.KeyUsage(
        digital_signature=False, content_commitment=False, key_encipherment=False,
        data_encipherment=False, key_agreement=False, key_cert_sign=True, crl_sign=True,
        encipher_only=False, decipher_only=False,
    )  # fmt: skip
    certificate = (
        _begun(title, title, key, now)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return key, certificate


def _kept(file: Path, place: Place, authority: bool, now: datetime) -> Identity | None:
    """Return what `file` holds where it still fits."""
    try:
        pem = read_regular(file, _LARGEST_PEM_BYTES) or b""
        # a key that others could read is no secret any more
        if os.name == "posix" and file.stat().st_mode & 0o077:
            return None
    except FileNotFoundError:
        return None
    try:
        chain = x509.load_pem_x509_certificates(pem)
        key = serialization.load_pem_private_key(pem, None)
        held = chain[0].extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, TypeError, x509.ExtensionNotFound):
        return None
    certificate = chain[0]
    addresses = {str(item) for item in held.get_values_for_type(x509.IPAddress)}
    names = set(held.get_values_for_type(x509.DNSName))
    fits = (
        certificate.public_key() == key.public_key()
        and certificate.not_valid_before_utc <= now < certificate.not_valid_after_utc - _RENEW
        and addresses >= {str(ipaddress.ip_address(text)) for text in place.addresses}
        and names >= set(place.names)
        and len(chain) == (2 if authority else 1)
    )
    if not fits:
        return None
    print_ = certificate.fingerprint(hashes.SHA256()).hex(":").upper()
    root = chain[1].public_bytes(serialization.Encoding.DER) if authority else None
    return Identity(
        file=file,
        authority=root,
        fingerprint=print_,
        not_after=certificate.not_valid_after_utc,
        made_now=False,
    )


def _write_private(file: Path, data: bytes) -> None:
    """Write a file whole or not at all, readable by its owner only from its first byte on."""
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=".", suffix=".part")  # mode 600
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(name, file)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
