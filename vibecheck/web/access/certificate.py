"""Web access: the certificate authority of this machine, and the server's certificate.

The authority is made once; a phone may install its public certificate. It can vouch for local
networks and this machine's own names only: installed on a phone, it can pass nobody else's site off
as genuine. The server's certificate comes and goes beneath it.
"""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from vibecheck.errors import InputError

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey

FOLDER = "https"
LEAF_DAYS = 190
"""CA/Browser Forum, TLS Baseline Requirements 6.3.2: at most 398 days, and 200 for certificates
from 2026-03-15 on. They bind public authorities only, and iOS allows 825 days under an installed
one (Apple, "Requirements for trusted certificates in iOS 13"); the lower figure suits everybody,
since the server renews its certificate by itself."""
RENEW_DAYS = 30
CA_DAYS = 3650
"""Common practice, no source."""
BACKDATED = timedelta(hours=25)
"""Phones whose clock is a day behind accept it all the same."""
LOCAL_NETWORKS = (
    *("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"),  # RFC 1918
    *("169.254.0.0/16", "127.0.0.0/8"),  # RFC 3927, RFC 1122
    *("fc00::/7", "fe80::/10", "::1/128"),  # RFC 4193, RFC 4291
)


@dataclass(frozen=True)
class LocalCertificate:
    """Files of the server's certificate, and the authority's public certificate.

    Attributes
    ----------
    chain_file, key_file : Path
        For the TLS server.
    authority_der : bytes
        What a phone may install. Public.
    fingerprint : str
        SHA-256 of it: 32 pairs of hexadecimal digits, with colons between.
    authority_name : str
        As the phone will list it.
    authority_is_new : bool
        Made in this very call: no phone knows it yet.
    replaces_older : bool
        There was another one before, which phones may have installed.
    ends : datetime
        Last moment of the server's certificate.
    """

    chain_file: Path
    key_file: Path
    authority_der: bytes
    fingerprint: str
    authority_name: str
    authority_is_new: bool
    replaces_older: bool
    ends: datetime


def local_certificate(
    data: Path, addresses: Sequence[str], names: Sequence[str], *, now: datetime
) -> LocalCertificate:
    """Return the server's certificate, made or renewed where that is due.

    Parameters
    ----------
    data : Path
        Folder of the garage; the files lie in its folder ``https``, the keys readable by their
        owner only.
    addresses : sequence of str
        IP addresses to be called by, all of local networks.
    names : sequence of str
        DNS names to be called by.
    now : datetime
        With a time zone.

    Raises
    ------
    InputError
        If the folder cannot be written, or an address is not of a local network.
    """
    for address in addresses:
        if not is_local(address):
            raise InputError(
                f"{address} is no address of a local network.",
                advice="The page is made for the network at home or at the track only.",
            )
    folder = data / FOLDER
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        return _certificate(folder, sorted(set(addresses)), sorted(set(names)), now)
    except OSError as error:
        raise InputError(
            f"The certificate cannot be kept ({error.strerror or error}).",
            where=str(folder),
            advice="Make room there, or name another folder with --data.",
        ) from None


def is_local(address: str) -> bool:
    """Whether an IP address is of a local network, and of no public one."""
    found = ipaddress.ip_address(address)
    networks = [ipaddress.ip_network(text) for text in LOCAL_NETWORKS]
    return any(found.version == one.version and found in one for one in networks)


def _certificate(
    folder: Path, addresses: list[str], names: list[str], now: datetime
) -> LocalCertificate:
    from cryptography.hazmat.primitives import hashes, serialization

    had_one = (folder / "authority.pem").is_file()
    authority, is_new = _authority(folder, names, now)
    key, certificate = authority
    chain_file, key_file = folder / "server.pem", folder / "server.key"
    leaf, own = _read(chain_file), _read_key(key_file)
    has_key = leaf is not None and own is not None and own.public_key() == leaf.public_key()
    if leaf is None or not has_key or not _still_serves(leaf, certificate, addresses, names, now):
        leaf_key, leaf = _issue(key, certificate, addresses, names, now)
        _write(key_file, _private(leaf_key), 0o600)
        pem = serialization.Encoding.PEM
        _write(chain_file, leaf.public_bytes(pem) + certificate.public_bytes(pem), 0o644)
    digest = certificate.fingerprint(hashes.SHA256()).hex().upper()
    return LocalCertificate(
        chain_file=chain_file,
        key_file=key_file,
        authority_der=certificate.public_bytes(serialization.Encoding.DER),
        fingerprint=":".join(digest[at : at + 2] for at in range(0, len(digest), 2)),
        authority_name=_common_name(certificate),
        authority_is_new=is_new,
        replaces_older=is_new and had_one,
        ends=leaf.not_valid_after_utc,
    )


def _authority(
    folder: Path, names: list[str], now: datetime
) -> tuple[tuple[EllipticCurvePrivateKey, x509.Certificate], bool]:
    """Read the authority; make another where there is none, its end is near or a name is new."""
    from cryptography.hazmat.primitives import serialization

    key_file, file = folder / "authority.key", folder / "authority.pem"
    found, key = _read(file), _read_key(key_file)
    if (
        found is not None
        and key is not None
        and key.public_key() == found.public_key()
        and now + timedelta(days=LEAF_DAYS) < found.not_valid_after_utc
        and set(names) <= _permitted_names(found)
    ):
        return (key, found), False
    made = _make_authority(names, now)
    _write(key_file, _private(made[0]), 0o600)
    _write(file, made[1].public_bytes(serialization.Encoding.PEM), 0o644)
    return made, True


def _make_authority(
    names: list[str], now: datetime
) -> tuple[EllipticCurvePrivateKey, x509.Certificate]:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    title = f"vibecheck, this machine only, {now:%Y-%m-%d %H:%M}"
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, title)])
    permitted: list[x509.GeneralName] = [
        x509.IPAddress(ipaddress.ip_network(text)) for text in LOCAL_NETWORKS
    ]
    permitted += [x509.DNSName(text) for text in names or ["localhost"]]
    key_id = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + timedelta(days=CA_DAYS))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
        .add_extension(key_id, critical=False)
        .sign(key, hashes.SHA256())
    )
    return key, certificate


def _issue(
    authority_key: EllipticCurvePrivateKey,
    authority: x509.Certificate,
    addresses: list[str],
    names: list[str],
    now: datetime,
) -> tuple[EllipticCurvePrivateKey, x509.Certificate]:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID

    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "vibecheck")])
    called: list[x509.GeneralName] = [x509.DNSName(text) for text in names]
    called += [x509.IPAddress(ipaddress.ip_address(text)) for text in addresses]
    issuer_id = x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key())
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(authority.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now - BACKDATED + timedelta(days=LEAF_DAYS))
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(called), critical=False)
        .add_extension(issuer_id, critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    return key, certificate


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    from cryptography import x509

    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


def _still_serves(
    leaf: x509.Certificate,
    authority: x509.Certificate,
    addresses: list[str],
    names: list[str],
    now: datetime,
) -> bool:
    from cryptography import x509
    from cryptography.exceptions import InvalidSignature

    try:
        leaf.verify_directly_issued_by(authority)
        called = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, TypeError, InvalidSignature, x509.ExtensionNotFound):
        return False
    known = {str(one) for one in called.get_values_for_type(x509.IPAddress)}
    return (
        leaf.not_valid_before_utc <= now < leaf.not_valid_after_utc - timedelta(days=RENEW_DAYS)
        and known == set(addresses)
        and set(called.get_values_for_type(x509.DNSName)) == set(names)
    )


def _permitted_names(authority: x509.Certificate) -> set[str]:
    from cryptography import x509

    try:
        limits = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    except (ValueError, x509.ExtensionNotFound):
        return set()
    return {one.value for one in limits.permitted_subtrees or [] if isinstance(one, x509.DNSName)}


def _common_name(certificate: x509.Certificate) -> str:
    from cryptography import x509

    return str(certificate.subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)[0].value)


def _private(key: EllipticCurvePrivateKey) -> bytes:
    from cryptography.hazmat.primitives import serialization

    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _read(file: Path) -> x509.Certificate | None:
    from cryptography import x509

    try:
        return x509.load_pem_x509_certificate(file.read_bytes())
    except (FileNotFoundError, ValueError):
        return None


def _read_key(file: Path) -> EllipticCurvePrivateKey | None:
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey

    try:
        key = serialization.load_pem_private_key(file.read_bytes(), password=None)
    except (FileNotFoundError, ValueError, TypeError):
        return None
    return key if isinstance(key, EllipticCurvePrivateKey) else None


def _write(file: Path, content: bytes, mode: int) -> None:
    """Write a file whole; nobody else can read a key at any moment."""
    temporary = file.with_name(f"{file.name}.{os.getpid()}.part")
    temporary.unlink(missing_ok=True)
    try:
        with open(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(temporary, file)
    finally:
        temporary.unlink(missing_ok=True)


def right_now() -> datetime:
    """Return the moment, with its time zone."""
    return datetime.now(UTC)
