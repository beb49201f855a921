"""`dewkeeper collect`, typed on the server and on the Pi."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.collect.conftest import Collector
from tests.collect.sites import MIDNIGHT, SendingSite, fill

from dewkeeper.cli import main
from dewkeeper_config.reference import examples


def _file(folder: Path, name: str, address: str, storage: Path) -> Path:
    path = folder / "rack.toml"
    text = examples()["first_probe"] + f'\n[collect]\nsite = "{name}"\naddress = "{address}"\n'
    lines = [line for line in text.splitlines() if not line.startswith("[storage]")]
    path.write_text("\n".join([*lines, "[storage]", f'folder = "{storage}"']), encoding="utf-8")
    return path


def test_from_nothing_to_both_sides_alike(
    collector: Collector, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """init, admit, status, check, release: each says what it did, and check finds what differs and where."""
    owner = ["--server", collector.owner]
    assert main(["collect", "init", *owner]) == 0
    assert main(["collect", "admit", "north room", "--host", "127.0.0.1", *owner, "--format", "json"]) == 0
    said = capsys.readouterr()
    address = json.loads(said.out[said.out.index("[") :])[0]["address"] + f" port={collector.server.port}"
    site = SendingSite(tmp_path / "north", "north room", address)
    fill(site.shelf, MIDNIGHT, 2, 1)
    path = _file(tmp_path, site.name, address, site.shelf.folder)
    assert main(["collect", "status", "--config", str(path)]) == 1  # nothing was sent yet
    site.send()
    assert main(["collect", "status", "--config", str(path)]) == 0
    assert "north room  20" in capsys.readouterr().out
    assert main(["collect", "check", "--config", str(path)]) == 0
    assert "both sides hold the same" in capsys.readouterr().out
    with collector.connect() as connection:
        connection.execute("UPDATE reading SET h = 1 WHERE time = to_timestamp(%s)", (MIDNIGHT + 1800,))
    assert main(["collect", "check", "--config", str(path), "--format", "json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert {row["what"] for row in found} == {"reading"}
    assert {row["from"][:10] for row in found} == {"2026-09-16"}
    assert main(["collect", "status", *owner]) == 0
    assert "north room" in capsys.readouterr().out
    assert main(["collect", "release", "north room", *owner]) == 0
    assert main(["collect", "release", "nowhere", *owner]) == 1
    assert "no site is called 'nowhere'" in capsys.readouterr().err
    site.shelf.store.close()


def test_a_site_that_sends_nothing_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without `[collect]` the Pi's two commands end with 1 and the reason."""
    path = tmp_path / "rack.toml"
    path.write_text(examples()["first_probe"], encoding="utf-8")
    for verb in ("status", "check"):
        assert main(["collect", verb, "--config", str(path)]) == 1
        assert "sends nothing on" in capsys.readouterr().err
