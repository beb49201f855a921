"""The guide's recipe for a server, its own lines, on the machine's PostgreSQL: another name, network and folder put in."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.collect.postgres import Server, programs
from tests.collect.sites import MIDNIGHT, SendingSite, fill, unlike
from tests.deploy.test_deploy_guide import TEXT, blocks

from dewkeeper.cli import main
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.errors import ServerRefused

_HERE = {"db.home.arpa": "localhost", "192.168.1.0/24": "127.0.0.1/32"}


@pytest.fixture
def server() -> Iterator[Server]:
    """A server whose rules of who is let in are changed."""
    if programs() is None or shutil.which("openssl") is None:
        assert not os.environ.get("CI"), "CI skips nothing: apt-get install postgresql openssl"
        pytest.skip("PostgreSQL or openssl is not installed: the guide's recipe is not tested")
    made = Server()
    yield made
    made.stop()


def _lines(wanted: str) -> list[str]:
    """Return the lines of the guide's block in which something stands, as they are typed here."""
    (block,) = [block for block in blocks(TEXT["GUIDE.md"], "") if wanted in block]
    for there, here in _HERE.items():
        block = block.replace(there, here)
    return block.splitlines()


def test_the_guides_recipe_lets_a_site_in_and_nobody_without_tls(
    server: Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its database, certificate, settings and rule: a site sends over verified TLS, and without TLS nobody is let in."""
    (created,) = [shlex.split(line) for line in _lines("createdb") if "createdb" in line]
    asked = [*created[created.index("createdb") :], "-h", str(server.folder), "-p", str(server.port), "-U", "postgres"]
    subprocess.run([str(server.programs / asked[0]), *asked[1:]], check=True)
    owner = server.owner(created[-1])
    assert main(["collect", "init", "--server", owner]) == 0

    for line in (line for line in _lines("openssl req -x509") if not line.startswith("sudo")):
        subprocess.run(["sh", "-ec", line], cwd=tmp_path, check=True, capture_output=True)
    for name in ("server.crt", "server.key"):  # "sudo install -o postgres -m 0600"
        (server.folder / name).write_bytes((tmp_path / name).read_bytes())
        (server.folder / name).chmod(0o600)
        if server.user is not None:
            os.chown(server.folder / name, server.user.pw_uid, server.user.pw_gid)
    access = _lines("pg_hba.conf")
    said = [text for line in access for text in re.findall(r'-c "([^"]+)"', line)]
    assert len(said) == 4
    with server.connect() as connection:
        for statement in said:
            connection.execute(statement.replace("/etc/postgresql", str(server.folder)).encode())
    (rule,) = re.findall(r"echo '(hostssl [^']+)'", "\n".join(access))
    (server.data / "pg_hba.conf").write_text(f"local all all trust\n{rule}\n", encoding="utf-8")
    server.kill()
    server.start()

    (admitted,) = [shlex.split(line) for line in _lines("collect admit") if "collect admit" in line]
    words = [owner if word == "dbname=dewkeeper" else word for word in admitted[admitted.index("collect") :]]
    capsys.readouterr()
    assert main([*words, "--format", "json"]) == 0
    shown = capsys.readouterr().out
    address = json.loads(shown[shown.index("[") :])[0]["address"] + f" port={server.port}"
    site = SendingSite(tmp_path / "north", words[2], f"{address} sslmode=verify-full sslrootcert={tmp_path / 'ca.pem'}")
    fill(site.shelf, MIDNIGHT, 1, 1)
    site.send()
    site.shelf.store.close()
    with server.connect(created[-1]) as connection:
        assert unlike(site.shelf, connection, site.name) == []
    with ServerLink(parameters(address, tmp_path / "ca.pem")) as link, link.batch() as cursor:
        assert cursor.execute("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()").fetchone() == (True,)
    with pytest.raises(ServerRefused, match="lets nobody in"):
        ServerLink(parameters(f"{address} sslmode=disable", None))
