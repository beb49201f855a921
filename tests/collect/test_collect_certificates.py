"""Whom a site believes to be its server. Certificates made with `cryptography`, checked by libpq's own TLS."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from tests.collect.postgres import SUPERUSER, Server, programs

from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.errors import ServerRefused

_NOW = datetime.now(UTC)


class _Authority:
    def __init__(self, name: str) -> None:
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self.certificate = self._sign(self.name, self.key, None, timedelta(days=1))

    def _sign(
        self, name: x509.Name, key: ec.EllipticCurvePrivateKey, host: str | None, lasts: timedelta
    ) -> x509.Certificate:
        made = (
            x509.CertificateBuilder().subject_name(name).issuer_name(self.name).public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(_NOW - timedelta(days=9)).not_valid_after(_NOW + lasts)
            .add_extension(x509.BasicConstraints(ca=host is None, path_length=None), critical=True)
        )  # fmt: skip
        if host is not None:
            made = made.add_extension(x509.SubjectAlternativeName([x509.DNSName(host)]), critical=False)
        return made.sign(self.key, hashes.SHA256())

    def issue(self, host: str, lasts: timedelta = timedelta(days=1)) -> tuple[bytes, bytes]:
        """Return certificate and key for a host, PEM."""
        key = ec.generate_private_key(ec.SECP256R1())
        certificate = self._sign(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, host)]), key, host, lasts)
        plain = serialization.NoEncryption()
        return (
            certificate.public_bytes(serialization.Encoding.PEM),
            key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain),
        )

    def pem(self) -> bytes:
        """Return its own certificate, PEM."""
        return self.certificate.public_bytes(serialization.Encoding.PEM)


@pytest.fixture(scope="module")
def encrypted() -> Iterator[Server]:
    """A server that can show certificates, and whose superuser has a password."""
    if programs() is None:
        assert not os.environ.get("CI"), "CI skips nothing: apt-get install postgresql"
        pytest.skip("PostgreSQL is not installed (apt-get install postgresql): certificates are not tested")
    made = Server()
    with made.connect() as connection:
        connection.execute(f"ALTER ROLE {SUPERUSER} PASSWORD 'sesame'")
    yield made
    made.stop()


def _show(server: Server, certificate: bytes, key: bytes) -> None:
    for name, content in (("server.crt", certificate), ("server.key", key)):
        path = server.data / name
        path.write_bytes(content)
        path.chmod(0o600)
        if server.user is not None:
            os.chown(path, server.user.pw_uid, server.user.pw_gid)
    with server.connect() as connection:
        connection.execute("ALTER SYSTEM SET ssl = on")
        connection.execute("SELECT pg_reload_conf()")
        connection.execute("SELECT pg_sleep(0)")


def test_only_the_right_certificate_for_the_right_name_is_believed(encrypted: Server, tmp_path: Path) -> None:
    """Signed by the authority that was named and in date it is taken; expired, another's, or for another name it is refused."""
    ours, strangers = _Authority("ours"), _Authority("a stranger")
    trusted = tmp_path / "ca.pem"
    trusted.write_bytes(ours.pem())
    address = f"host=localhost port={encrypted.port} dbname=postgres user={SUPERUSER} password=sesame"
    shown = {
        "expired": ours.issue("localhost", -timedelta(days=1)),
        "a stranger's": strangers.issue("localhost"),
        "another name": ours.issue("elsewhere.example"),
    }
    for what, pair in shown.items():
        _show(encrypted, *pair)
        _settled(encrypted, pair[0])
        with pytest.raises(ServerRefused, match="certificate") as caught:
            ServerLink(parameters(address, trusted))
        assert "sesame" not in str(caught.value), what
    right = ours.issue("localhost")
    _show(encrypted, *right)
    _settled(encrypted, right[0])
    with ServerLink(parameters(address, trusted)) as link, link.batch() as cursor:
        assert cursor.execute("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()").fetchone() == (True,)


def _settled(server: Server, certificate: bytes) -> None:
    """Return once new connections are shown this certificate: the server reloads when it comes to it."""
    import socket
    import ssl

    plain = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    plain.check_hostname, plain.verify_mode = False, ssl.CERT_NONE
    for _ in range(2000):
        with socket.create_connection(("127.0.0.1", server.port)) as raw:
            raw.sendall(
                b"\x00\x00\x00\x08\x04\xd2\x16\x2f"
            )  # SSLRequest, PostgreSQL's documentation, "Message Formats"
            if raw.recv(1) != b"S":
                continue
            with plain.wrap_socket(raw) as secured:
                if (
                    ssl.DER_cert_to_PEM_cert(secured.getpeercert(binary_form=True) or b"").split()
                    == certificate.decode().split()
                ):
                    return
    raise AssertionError("the server did not take its new certificate")


@pytest.mark.parametrize("host", ["db.example.org", "192.0.2.7", "127.0.0.1,db.example.org"])
def test_a_server_elsewhere_must_always_show_one(host: str) -> None:
    """Whatever the address says of TLS, a server on another machine is verified; one on this machine by request."""
    given = parameters(f"host={host} sslmode=disable sslrootcert=/nowhere dbname=d", None)
    assert (given["sslmode"], given["sslrootcert"]) == ("verify-full", "/etc/ssl/certs/ca-certificates.crt")
    assert parameters("host=/run/postgresql dbname=d", None).get("sslmode") is None
    assert parameters("host=127.0.0.1 dbname=d", Path("/ca.pem"))["sslmode"] == "verify-full"
