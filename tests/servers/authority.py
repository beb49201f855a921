"""A certificate authority of our own, for servers whose certificates are right, or wrong in one way."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

Flaw = Literal["", "expired", "not_yet_valid", "wrong_host", "self_signed"]


class Authority:
    """Keeps its files in `folder`. ca_file: what a sender must trust."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = _named("an invented authority")
        now = datetime.now(UTC)
        certificate = (
            _builder(
                self._name, self._name, self._key.public_key(), now - timedelta(days=400), now + timedelta(days=400)
            )
            .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
            .add_extension(_usage(ca=True), critical=True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(self._key.public_key()), critical=False)
            .sign(self._key, hashes.SHA256())
        )
        self.ca_file = folder / "authority.pem"
        self.ca_file.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        self._contexts: dict[Flaw, ssl.SSLContext] = {}

    def context(self, flaw: Flaw = "") -> ssl.SSLContext:
        """Return a server's context for `localhost` and `*.rack.test` with this flaw."""
        if flaw not in self._contexts:
            self._contexts[flaw] = self._make(flaw)
        return self._contexts[flaw]

    def _make(self, flaw: Flaw) -> ssl.SSLContext:
        key = ec.generate_private_key(ec.SECP256R1())
        now = datetime.now(UTC)
        begin, end = now - timedelta(days=2), now + timedelta(days=2)
        if flaw == "expired":
            begin, end = now - timedelta(days=20), now - timedelta(days=10)
        if flaw == "not_yet_valid":
            begin, end = now + timedelta(days=10), now + timedelta(days=20)
        host = "elsewhere.invalid" if flaw == "wrong_host" else "localhost"
        hosts = [host] if flaw == "wrong_host" else [host, "*.rack.test"]
        subject = _named(host)
        signer, issuer = (key, subject) if flaw == "self_signed" else (self._key, self._name)
        certificate = (
            _builder(subject, issuer, key.public_key(), begin, end)
            .add_extension(x509.SubjectAlternativeName([x509.DNSName(name) for name in hosts]), critical=False)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(_usage(ca=False), critical=True)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False
            )  # Python 3.13 refuses chains without it
            .sign(signer, hashes.SHA256())
        )
        file = self._folder / f"server-{flaw or 'good'}.pem"
        file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
            + certificate.public_bytes(serialization.Encoding.PEM)
        )
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.num_tickets = 0  # nobody resumes here, and the kept sessions would be taken for a leak
        context.load_cert_chain(file)
        return context


def _named(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _builder(
    subject: x509.Name, issuer: x509.Name, key: ec.EllipticCurvePublicKey, begin: datetime, end: datetime
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(begin)
        .not_valid_after(end)
    )


def _usage(*, ca: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=True,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=ca,
        crl_sign=ca,
        encipher_only=False,
        decipher_only=False,
    )
