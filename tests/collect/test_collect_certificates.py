"""Whom a site believes to be its server. Certificates made with `cryptography`, checked by libpq's own TLS."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from tests.collect.certificates import Authority, show
from tests.collect.postgres import SUPERUSER, Server, programs

from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.errors import ServerRefused


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


def test_only_the_right_certificate_for_the_right_name_is_believed(encrypted: Server, tmp_path: Path) -> None:
    """Signed by the authority that was named and in date it is taken; expired, another's, or for another name it is refused."""
    ours, strangers = Authority("ours"), Authority("a stranger")
    trusted = tmp_path / "ca.pem"
    trusted.write_bytes(ours.pem())
    address = f"host=localhost port={encrypted.port} dbname=postgres user={SUPERUSER} password=sesame"
    shown = {
        "expired": ours.issue("localhost", -timedelta(days=1)),
        "a stranger's": strangers.issue("localhost"),
        "another name": ours.issue("elsewhere.example"),
    }
    for what, pair in shown.items():
        show(encrypted, *pair)
        with pytest.raises(ServerRefused, match="certificate") as caught:
            ServerLink(parameters(address, trusted))
        assert "sesame" not in str(caught.value), what
    show(encrypted, *ours.issue("localhost"))
    with ServerLink(parameters(address, trusted)) as link, link.batch() as cursor:
        assert cursor.execute("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()").fetchone() == (True,)


@pytest.mark.parametrize("host", ["db.example.org", "192.0.2.7", "127.0.0.1,db.example.org"])
def test_a_server_elsewhere_must_always_show_one(host: str) -> None:
    """Whatever the address says of TLS, a server on another machine is verified; one on this machine by request."""
    given = parameters(f"host={host} sslmode=disable sslrootcert=/nowhere dbname=d", None)
    assert (given["sslmode"], given["sslrootcert"]) == ("verify-full", "/etc/ssl/certs/ca-certificates.crt")
    assert parameters("host=/run/postgresql dbname=d", None).get("sslmode") is None
    assert parameters("host=127.0.0.1 dbname=d", Path("/ca.pem"))["sslmode"] == "verify-full"
