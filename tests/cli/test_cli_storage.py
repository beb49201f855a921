"""The history leaves and comes back by command, and nothing is destroyed on the way."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.store.conftest import MIDNIGHT, Shelf, raw_all
from tests.store.test_store_damaged_block import flip_a_bit

from dewkeeper.cli import main
from dewkeeper.interchange import format_time
from dewkeeper.store import History
from dewkeeper_config.reference import sample


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with a configuration, a store of 96 readings and room for copies."""
    text = sample()
    line = f'storage = {{ folder = "{tmp_path}/state", ballast_mb = 0, backup = {{ folder = "{tmp_path}/copies", require_mount = false }} }}\n'
    kept, skipping = [], False
    for old in text.splitlines():  # the sample's own [storage] tables are replaced
        if old.startswith("["):
            skipping = old.startswith("[storage")
        if not skipping:
            kept.append(old)
    (tmp_path / "rack.toml").write_text(line + "\n".join(kept) + "\n")
    shelf = Shelf(tmp_path / "state")
    shelf.put([(MIDNIGHT + 900 * i, "b1", 26000 + i, 40000, True) for i in range(96)])
    shelf.store.close()
    return tmp_path


def _run(place: Path, *words: str) -> int:
    return main([*words, "--config", str(place / "rack.toml")])


def _count(place: Path) -> int:
    with History.open(place / "state") as history:
        return sum(len(rows) for rows in raw_all(history, 0, 1 << 40).values())


def test_backup_drill_and_restore(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A copy is made and proven; restore only shows, then refuses, then sets the old file aside."""
    assert _run(place, "backup", "--drill") == 1
    assert "no backup" in capsys.readouterr().err
    assert _run(place, "backup") == 0
    capsys.readouterr()
    assert _run(place, "backup", "--drill", "--format", "json") == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert row["readings"] == 96
    assert _run(place, "restore") == 0
    assert "Nothing was changed" in capsys.readouterr().out
    assert _run(place, "restore", "--format", "json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["restored"], told["set_aside"]) == (False, None)
    assert told["copy"]["readings"] == told["there"]["readings"] == 96
    assert told["copy"]["first"] == row["first"] == format_time(MIDNIGHT)
    assert _run(place, "restore", "--yes") == 1
    assert "--replace" in capsys.readouterr().err
    assert _run(place, "restore", "--yes", "--replace") == 0
    aside = [path for path in (place / "state").glob("dewkeeper.db.before-restore-*") if "-" not in path.name[-4:]]
    assert len(aside) == 1  # with its log and index beside it
    assert _count(place) == 96


def test_animals_of_a_spreadsheet_come_in_and_leave_as_they_came(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file of who lived where becomes entries of the journal; what is exported is that file, and a second import changes nothing."""
    mine, out = place / "mine.csv", place / "all.csv"
    mine.write_bytes(
        b"animal,enclosure,moved_in,moved_out,hatched,sex,notes\r\n"
        b'Nala,B1,2025-01-05T10:00:00Z,2025-03-01T09:00:00Z,2021-06,female,"shy, bites"\r\n'
        b"Nala,B2,2025-03-01T09:00:00Z,,,,\r\n"
    )
    for stored, known in ((3, 0), (0, 3)):
        capsys.readouterr()
        assert _run(place, "import", "--animals", str(mine), "--format", "json") == 0
        (row,) = json.loads(capsys.readouterr().out)
        assert (row["stored"], row["known"], row["refused"]) == (stored, known, 0)
    assert _run(place, "export", str(out)) == 0
    assert (place / "all.csv.animals.csv").read_bytes() == mine.read_bytes()


def test_export_and_import(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What was exported comes back once, and a second import changes nothing; refused rows end with exit code 1."""
    file = place / "all.csv"
    assert _run(place, "export", str(file)) == 0
    for path in (place / "state").iterdir():
        path.unlink()
    for stored, known in ((96, 0), (0, 96)):
        capsys.readouterr()
        assert _run(place, "import", str(file), "--format", "json") == 0
        (row,) = json.loads(capsys.readouterr().out)
        assert (row["stored"], row["known"], row["refused"]) == (stored, known, 0)
    with file.open("a") as more:
        more.write("yesterday,b1,1,2\n")
    (place / "all.csv.words.jsonl").unlink()
    assert _run(place, "import", str(file)) == 1
    assert "1 refused: no ISO 8601 UTC time ending in Z (first at line 98)" in capsys.readouterr().err
    assert _count(place) == 96


def test_an_import_names_what_the_configuration_does_not_know(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Rows of other probes and enclosures, and weighings without a weight, are stored and named; what is known is not."""
    (place / "r.csv").write_text(
        "time,probe,temperature_c,humidity_pct\n"
        "2026-01-01T12:00:00Z,attic,28,60\n2026-01-01T12:00:00Z,b4,28,60\n2026-01-01T12:01:00Z,attic,28,60\n"
    )
    (place / "j.csv").write_text(
        "time,enclosure,what,detail\n"
        "2026-01-01T12:00:00Z,Old tub,misted,\n2026-01-01T12:00:00Z,B4,weighed,1450grams\n2026-01-01T12:00:00Z,B4,weighed,heavy\n"
    )
    words = ("import", str(place / "r.csv"), "--journal", str(place / "j.csv"))
    assert _run(place, *words) == 0
    said = capsys.readouterr().err.splitlines()
    assert [line.partition(": ")[2] for line in said] == [
        "stored, though the configuration has no probe of that name: 'attic' (2 rows)",
        "stored, though the configuration has no enclosure of that name: 'Old tub' (1 row)",
        "stored, but no weight like `1450`, `1450 g` or `1.45 kg` is in line 4 ('heavy')",
    ]
    with History.open(place / "state") as history:
        assert len(history.journal(0)) == 3
    assert _count(place) == 99
    assert _run(place, *words) == 0
    assert capsys.readouterr().err == ""


def test_import_needs_something(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a file it says what to name."""
    assert _run(place, "import") == 1
    assert "--journal" in capsys.readouterr().err


def test_repair_names_what_it_finds_and_brings_it_back(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing damaged: said so. A damaged block no copy has: named, exit 1. With a copy: brought back, exit 0, and whole again."""
    assert _run(place, "repair") == 0
    assert "nothing is damaged" in capsys.readouterr().out
    shelf = Shelf(place / "state")
    for day in range(1, 6):
        shelf.put([(MIDNIGHT + 86400 * day + 900 * i, "b1", 26000 + i, 40000, True) for i in range(96)])
    shelf.compact()
    shelf.store.close()
    copies = place / "copies"
    assert _run(place, "backup") == 0
    copies.rename(place / "unplugged")
    flip_a_bit(place / "state", (MIDNIGHT // 86400 // 2 << 10) + 1)
    capsys.readouterr()
    assert _run(place, "export", str(place / "all.csv")) == 1
    assert (
        "it cannot be read: b1 from 2026-09-16 00:00 to 2026-09-18 00:00 UTC (192 readings)" in capsys.readouterr().err
    )
    assert _run(place, "repair") == 1
    assert "in no copy" in capsys.readouterr().out
    (place / "unplugged").rename(copies)
    assert _run(place, "repair", "--format", "json") == 0
    (row,) = json.loads(capsys.readouterr().out)
    assert row["readings"] == 192
    assert _count(place) == 576
