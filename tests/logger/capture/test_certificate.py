"""Certificates that a phone's browser takes: their content, by a library and by another program.

RFC 5280 for the extensions; 398 days are the most that browsers take of a certificate (CA/Browser
Forum, Baseline Requirements, section 6.3.2; from memory).
"""

from __future__ import annotations

import ipaddress
import os
import shutil
import ssl
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID

from logger.capture.address import Place
from logger.capture.certificate import (
    CertificateError,
    issue,
    make_authority,
    provide_identity,
)

PLACE = Place(
    host="192.168.1.20",
    listen_at=("192.168.1.20",),
    addresses=("192.168.1.20", "fd00::20"),
    names=("garage", "garage.local"),
)
NOW = datetime(2026, 5, 3, 9, 30, tzinfo=UTC)
needs_openssl = pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl here")


def leaf_of(file: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificates(file.read_bytes())[0]


@pytest.mark.parametrize("authority", [False, True])
def test_the_certificate_is_what_browsers_want(tmp_path: Path, authority: bool) -> None:
    identity = provide_identity(tmp_path / "keys", PLACE, authority=authority, now=NOW)
    leaf = leaf_of(identity.file)
    names = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert set(names.get_values_for_type(x509.IPAddress)) == {
        ipaddress.ip_address("192.168.1.20"),
        ipaddress.ip_address("fd00::20"),
    }
    assert names.get_values_for_type(x509.DNSName) == ["garage", "garage.local"]
    assert leaf.not_valid_before_utc <= NOW
    assert leaf.not_valid_after_utc - leaf.not_valid_before_utc <= timedelta(days=397)
    assert leaf.not_valid_after_utc - NOW > timedelta(days=390)
    usage = leaf.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert list(usage) == [ExtendedKeyUsageOID.SERVER_AUTH]
    assert leaf.extensions.get_extension_for_class(x509.BasicConstraints).value.ca is False
    assert isinstance(leaf.signature_hash_algorithm, hashes.SHA256)
    key = leaf.public_key()
    assert isinstance(key, ec.EllipticCurvePublicKey)
    assert key.curve.name == "secp256r1"
    assert identity.fingerprint.replace(":", "") == leaf.fingerprint(hashes.SHA256()).hex().upper()
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(identity.file)


def test_key_and_folder_are_for_their_owner_only(tmp_path: Path) -> None:
    identity = provide_identity(tmp_path / "keys", PLACE, now=NOW)
    assert identity.file.stat().st_mode & 0o777 == 0o600
    assert identity.file.parent.stat().st_mode & 0o777 == 0o700
    assert [path.name for path in (tmp_path / "keys").iterdir()] == [identity.file.name]


def test_it_is_kept_while_it_fits_and_made_anew_when_not(tmp_path: Path) -> None:
    first = provide_identity(tmp_path, PLACE, now=NOW)
    assert first.made_now
    kept = provide_identity(tmp_path, PLACE, now=NOW + timedelta(days=300))
    assert not kept.made_now
    assert kept.fingerprint == first.fingerprint
    fewer = replace(PLACE, addresses=PLACE.addresses[:1])
    assert not provide_identity(tmp_path, fewer, now=NOW).made_now
    moved = replace(PLACE, host="192.168.1.21", addresses=("192.168.1.21",))
    other = provide_identity(tmp_path, moved, now=NOW)
    assert other.made_now
    assert other.fingerprint != first.fingerprint
    late = provide_identity(tmp_path, moved, now=NOW + timedelta(days=380))
    assert late.made_now
    early = provide_identity(tmp_path, moved, now=NOW)  # not valid yet: a clock that was set back
    assert early.made_now


@pytest.mark.parametrize(
    "spoil",
    [
        lambda file: file.chmod(0o644),
        lambda file: file.write_bytes(b""),
        lambda file: file.write_bytes(b"no certificate"),
        lambda file: file.write_bytes(file.read_bytes()[:400]),
    ],
)
def test_a_spoilt_one_is_made_anew(tmp_path: Path, spoil: object) -> None:
    first = provide_identity(tmp_path, PLACE, now=NOW)
    assert callable(spoil)
    spoil(first.file)
    second = provide_identity(tmp_path, PLACE, now=NOW)
    assert second.made_now
    assert second.file.stat().st_mode & 0o777 == 0o600
    assert second.fingerprint != first.fingerprint


def test_a_place_that_cannot_be_written_to_is_reported(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(CertificateError, match="--keys"):
        provide_identity(tmp_path / "file", PLACE, now=NOW)


def test_the_authority_speaks_for_this_computer_alone_and_its_key_is_gone(tmp_path: Path) -> None:
    identity = provide_identity(tmp_path, PLACE, authority=True, now=NOW)
    assert identity.authority is not None
    root = x509.load_der_x509_certificate(identity.authority)
    constraints = root.extensions.get_extension_for_class(x509.NameConstraints)
    assert constraints.critical
    permitted = constraints.value.permitted_subtrees
    assert permitted is not None
    assert {str(item.value) for item in permitted} == {
        "192.168.1.20/32",
        "fd00::20/128",
        "garage",
        "garage.local",
    }
    basic = root.extensions.get_extension_for_class(x509.BasicConstraints)
    assert (basic.critical, basic.value.ca, basic.value.path_length) == (True, True, 0)
    assert root.not_valid_after_utc - root.not_valid_before_utc <= timedelta(days=397)
    leaf_of(identity.file).verify_directly_issued_by(root)
    # one private key in all that was written, and it is the server's
    text = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert text.count(b"PRIVATE KEY-----") == 2  # BEGIN and END
    key = serialization.load_pem_private_key(identity.file.read_bytes(), None)
    assert key.public_key() == leaf_of(identity.file).public_key()
    assert key.public_key() != root.public_key()


def test_with_and_without_authority_do_not_disturb_each_other(tmp_path: Path) -> None:
    plain = provide_identity(tmp_path, PLACE, now=NOW)
    signed = provide_identity(tmp_path, PLACE, authority=True, now=NOW)
    assert plain.authority is None
    assert provide_identity(tmp_path, PLACE, now=NOW).fingerprint == plain.fingerprint
    again = provide_identity(tmp_path, PLACE, authority=True, now=NOW)
    assert (again.fingerprint, again.authority) == (signed.fingerprint, signed.authority)


def openssl_verify(root: Path, leaf: Path, *options: str) -> str:
    at = str(int(NOW.timestamp()))
    command = ["openssl", "verify", "-attime", at, "-purpose", "sslserver", "-CAfile", str(root)]
    done = subprocess.run(
        [*command, *options, str(leaf)], capture_output=True, text=True, check=False
    )
    return f"{done.stdout} {done.stderr}"


@needs_openssl
def test_openssl_trusts_it_for_its_own_addresses(tmp_path: Path) -> None:
    """Another program's opinion of the chain, the constraints and the names."""
    identity = provide_identity(tmp_path, PLACE, authority=True, now=NOW)
    assert identity.authority is not None
    root, leaf = tmp_path / "root.pem", tmp_path / "leaf.pem"
    authority = x509.load_der_x509_certificate(identity.authority)
    root.write_bytes(authority.public_bytes(serialization.Encoding.PEM))
    leaf.write_bytes(leaf_of(identity.file).public_bytes(serialization.Encoding.PEM))
    for option in (
        ("-verify_ip", "192.168.1.20"),
        ("-verify_ip", "fd00::20"),
        ("-verify_hostname", "garage.local"),
    ):
        assert "leaf.pem: OK" in openssl_verify(root, leaf, "-x509_strict", *option)
    assert "mismatch" in openssl_verify(root, leaf, "-verify_ip", "192.168.1.21")
    plain = provide_identity(tmp_path, PLACE, now=NOW)
    leaf.write_bytes(leaf_of(plain.file).public_bytes(serialization.Encoding.PEM))
    assert "leaf.pem: OK" in openssl_verify(leaf, leaf, "-verify_ip", "192.168.1.20")


@needs_openssl
@pytest.mark.parametrize(
    ("addresses", "names"),
    [
        (("192.168.1.21",), ()),
        (("192.168.1.20", "8.8.8.8"), ()),
        (("fd00::21",), ()),
        ((), ("example.org",)),
        (("192.168.1.20",), ("bank.example",)),
    ],
)
@pytest.mark.parametrize("own_names", [("garage",), ()])
def test_what_an_authority_signed_for_others_would_not_be_trusted(
    tmp_path: Path, addresses: tuple[str, ...], names: tuple[str, ...], own_names: tuple[str, ...]
) -> None:
    """Even with its key, which is thrown away, it could not be used against other sites."""
    key, root = make_authority(replace(PLACE, names=own_names), NOW)
    leaf = issue(ec.generate_private_key(ec.SECP256R1()), addresses, names, NOW, signer=(key, root))
    (tmp_path / "root.pem").write_bytes(root.public_bytes(serialization.Encoding.PEM))
    (tmp_path / "leaf.pem").write_bytes(leaf.public_bytes(serialization.Encoding.PEM))
    said = openssl_verify(tmp_path / "root.pem", tmp_path / "leaf.pem")
    assert "permitted subtree violation" in said


@pytest.mark.skipif(os.name != "posix", reason="modes are a matter of POSIX")
def test_a_key_is_never_readable_by_others_not_even_while_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []
    real = os.replace

    def looking(source: str, target: Path) -> None:
        seen.append(os.stat(source).st_mode & 0o777)
        real(source, target)

    monkeypatch.setattr(os, "replace", looking)
    before = os.umask(0)
    try:
        provide_identity(tmp_path, PLACE, now=NOW)
    finally:
        os.umask(before)
    assert seen == [0o600]
