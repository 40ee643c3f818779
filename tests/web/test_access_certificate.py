"""The certificate: an authority for local networks only, keys for their owner only, renewed."""

from __future__ import annotations

import ipaddress
import ssl
import stat
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.verification import PolicyBuilder, Store, VerificationError

from vibecheck.errors import InputError
from vibecheck.web.access import certificate as module
from vibecheck.web.access.addresses import lan_addresses, machine_names
from vibecheck.web.access.certificate import (
    CA_DAYS,
    LEAF_DAYS,
    RENEW_DAYS,
    LocalCertificate,
    is_local,
    local_certificate,
    right_now,
)

NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
ADDRESSES = ("127.0.0.1", "192.168.7.20")
NAMES = ("bench", "bench.local", "localhost")


def make(folder: Path, **changes: Any) -> LocalCertificate:
    values: dict[str, Any] = {"addresses": ADDRESSES, "names": NAMES, "now": NOW, **changes}
    return local_certificate(folder, values["addresses"], values["names"], now=values["now"])


def leaf_of(made: LocalCertificate) -> x509.Certificate:
    return x509.load_pem_x509_certificates(made.chain_file.read_bytes())[0]


def authority_of(made: LocalCertificate) -> x509.Certificate:
    return x509.load_der_x509_certificate(made.authority_der)


def test_the_server_certificate_is_what_phones_ask_for(tmp_path: Path) -> None:
    leaf = leaf_of(make(tmp_path))
    # CA/Browser Forum, TLS Baseline Requirements 6.3.2: 398 days, 200 from 2026-03-15 on.
    # Apple, "Requirements for trusted certificates in iOS 13": 825 days, SAN, serverAuth, SHA-2.
    assert leaf.not_valid_after_utc - leaf.not_valid_before_utc == timedelta(days=LEAF_DAYS)
    assert LEAF_DAYS < 200
    called = leaf.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert {str(one) for one in called.get_values_for_type(x509.IPAddress)} == set(ADDRESSES)
    assert set(called.get_values_for_type(x509.DNSName)) == set(NAMES)
    usage = leaf.extensions.get_extension_for_class(x509.ExtendedKeyUsage).value
    assert list(usage) == [x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]
    assert isinstance(leaf.signature_hash_algorithm, hashes.SHA256)  # ASVS 5.0.0, 11.4.1
    key = leaf.public_key()
    assert isinstance(key, ec.EllipticCurvePublicKey)
    assert key.curve.name == "secp256r1"
    assert leaf.not_valid_before_utc < NOW - timedelta(hours=24)  # a phone's clock a day behind


def test_the_authority_is_kept_to_local_networks(tmp_path: Path) -> None:
    authority = authority_of(make(tmp_path))
    basic = authority.extensions.get_extension_for_class(x509.BasicConstraints)
    assert (basic.critical, basic.value.ca, basic.value.path_length) == (True, True, 0)
    limits = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert limits.critical
    permitted = limits.value.permitted_subtrees or []
    networks = [one.value for one in permitted if isinstance(one, x509.IPAddress)]
    assert networks
    assert not [one for one in networks if not one.is_private and not one.is_link_local]
    assert {one.value for one in permitted if isinstance(one, x509.DNSName)} == set(NAMES)


@pytest.mark.parametrize(
    ("name", "accepted"),
    [
        (x509.DNSName("bench.local"), True),
        (x509.IPAddress(ipaddress.ip_address("192.168.7.21")), True),
        (x509.DNSName("example.org"), False),
        (x509.DNSName("other.local"), False),
        (x509.IPAddress(ipaddress.ip_address("9.9.9.9")), False),
        (x509.IPAddress(ipaddress.ip_address("2001:db8::1")), False),
    ],
)
def test_a_stolen_key_cannot_vouch_for_the_internet(
    tmp_path: Path, name: x509.GeneralName, accepted: bool
) -> None:
    """Whoever has the authority's key signs for ``name``: another's verifier must refuse it."""
    authority = authority_of(make(tmp_path))
    stolen: Any = serialization.load_pem_private_key(
        (tmp_path / "https" / "authority.key").read_bytes(), None
    )
    forged = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([]))
        .issuer_name(authority.subject)
        .public_key(ec.generate_private_key(ec.SECP256R1()).public_key())
        .serial_number(7)
        .not_valid_before(NOW - timedelta(days=1))
        .not_valid_after(NOW + timedelta(days=30))
        .add_extension(x509.SubjectAlternativeName([name]), critical=True)
        .add_extension(
            x509.ExtendedKeyUsage([x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]), critical=False
        )
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(stolen.public_key()), critical=False
        )
        .sign(stolen, hashes.SHA256())
    )
    builder = PolicyBuilder().store(Store([authority])).time(NOW)
    verifier = builder.build_server_verifier(name)  # type: ignore[arg-type]
    if accepted:
        assert len(verifier.verify(forged, [])) == 2
    else:
        with pytest.raises(VerificationError):
            verifier.verify(forged, [])


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of POSIX")
def test_keys_are_for_their_owner_only(tmp_path: Path) -> None:
    make(tmp_path)
    folder = tmp_path / "https"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    keys = sorted(folder.glob("*.key"))
    assert [key.name for key in keys] == ["authority.key", "server.key"]
    assert {stat.S_IMODE(key.stat().st_mode) for key in keys} == {0o600}
    assert not list(folder.glob("*.part*"))
    for file in folder.glob("*.pem"):
        assert b"PRIVATE" not in file.read_bytes()


def test_what_is_good_is_kept(tmp_path: Path) -> None:
    first = make(tmp_path)
    before = leaf_of(first)
    second = make(tmp_path, now=NOW + timedelta(days=60))
    assert first.authority_is_new
    assert not second.authority_is_new
    assert leaf_of(second) == before
    assert first.fingerprint == second.fingerprint


@pytest.mark.parametrize(
    "changes",
    [
        {"now": NOW + timedelta(days=LEAF_DAYS - RENEW_DAYS)},
        {"addresses": ("127.0.0.1", "10.1.2.3")},
        {"names": ("bench", "localhost")},
        {"now": NOW - timedelta(days=2), "names": NAMES},
    ],
    ids=["near its end", "another address", "a name less", "clock went back"],
)
def test_the_server_certificate_is_renewed_under_the_same_authority(
    tmp_path: Path, changes: dict[str, Any]
) -> None:
    before = leaf_of(make(tmp_path))
    second = make(tmp_path, **changes)
    assert leaf_of(second) != before
    assert not second.authority_is_new
    leaf_of(second).verify_directly_issued_by(authority_of(second))


@pytest.mark.parametrize(
    "changes",
    [{"now": NOW + timedelta(days=CA_DAYS - 10)}, {"names": ("workshop", "localhost")}],
    ids=["near its end", "another name of the machine"],
)
def test_the_authority_is_made_anew_where_it_must(tmp_path: Path, changes: dict[str, Any]) -> None:
    first, second = make(tmp_path), make(tmp_path, **changes)
    assert second.authority_is_new
    assert second.replaces_older
    assert not first.replaces_older
    assert first.fingerprint != second.fingerprint


@pytest.mark.parametrize("name", ["authority.key", "authority.pem", "server.key", "server.pem"])
@pytest.mark.parametrize("content", [b"", b"no certificate\n", None])
def test_a_damaged_file_is_made_anew(tmp_path: Path, name: str, content: bytes | None) -> None:
    make(tmp_path)
    file = tmp_path / "https" / name
    if content is None:
        file.unlink()
    else:
        file.write_bytes(content)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made = make(tmp_path)
    context.load_cert_chain(made.chain_file, made.key_file)


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "https").write_text("in the way", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be kept"):
        make(tmp_path)


@pytest.mark.parametrize("address", ["9.9.9.9", "2001:db8::1", "100.64.0.1"])
def test_a_public_address_is_refused(tmp_path: Path, address: str) -> None:
    with pytest.raises(InputError, match="no address of a local network"):
        make(tmp_path, addresses=(address,))
    assert not (tmp_path / "https").exists()


def test_the_fingerprint_is_sha256_in_pairs(tmp_path: Path) -> None:
    made = make(tmp_path)
    digest = authority_of(made).fingerprint(hashes.SHA256())
    assert bytes.fromhex(made.fingerprint.replace(":", "")) == digest
    assert len(made.fingerprint) == 95


def test_this_machine_is_found_without_traffic(monkeypatch: pytest.MonkeyPatch) -> None:
    import socket

    def forbidden(*_: object, **__: object) -> None:
        raise AssertionError("traffic")

    for name in ("getaddrinfo", "gethostbyname", "gethostbyname_ex", "create_connection"):
        monkeypatch.setattr(socket, name, forbidden)
    for name in ("send", "sendto", "sendall"):
        monkeypatch.setattr(socket.socket, name, forbidden, raising=False)
    for address in lan_addresses():
        assert is_local(address)
        assert not address.startswith("127.")


@pytest.mark.parametrize(
    ("host", "names"),
    [
        ("Workbench", ("localhost", "workbench", "workbench.local")),
        ("workbench.home.example", ("localhost", "workbench", "workbench.local")),
        ("localhost", ("localhost",)),
        ("", ("localhost",)),
        ("bad_name!", ("localhost",)),
        ("-x", ("localhost",)),
    ],
)
def test_names_of_this_machine(host: str, names: tuple[str, ...]) -> None:
    assert machine_names(host) == names


def test_the_moment_has_a_zone() -> None:
    assert right_now().tzinfo is not None
    assert module.FOLDER == "https"
