"""Certificates made with `cryptography`, by authorities of our own, and a server that shows them."""

from __future__ import annotations

import os
import socket
import ssl
from datetime import UTC, datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from tests.collect.postgres import Server

_NOW = datetime.now(UTC)


class Authority:
    """Signs certificates; valid for a day unless said otherwise."""

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


def show(server: Server, certificate: bytes, key: bytes) -> None:
    """Have a server show a certificate; return once new connections are shown it."""
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
    _settled(server, certificate)


def _settled(server: Server, certificate: bytes) -> None:
    """Return once new connections are shown this certificate: the server reloads when it comes to it."""
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
