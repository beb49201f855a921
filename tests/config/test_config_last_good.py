"""The last good configuration stays in force when an edit went wrong."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from dewkeeper_config import ConfigInvalid, ConfigUnreadable
from dewkeeper_config.last_good import LAST_GOOD, load_or_last_good
from dewkeeper_config.whole import write_whole


@pytest.fixture
def file(tmp_path: Path, rack_text: str) -> Path:
    """Return a good configuration file."""
    path = tmp_path / "rack.toml"
    path.write_text(rack_text, encoding="utf-8")
    return path


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Return the state folder."""
    folder = tmp_path / "state"
    folder.mkdir()
    return folder


def test_a_good_file_is_used_and_kept_for_its_owner_only(file: Path, state: Path) -> None:
    """The copy is the file byte for byte, readable by nobody else, for it may hold secrets."""
    config, problems = load_or_last_good(file, state)
    assert problems == []
    assert config.enclosure[0].name == "B3"
    assert (state / LAST_GOOD).read_bytes() == file.read_bytes()
    assert stat.S_IMODE((state / LAST_GOOD).stat().st_mode) == 0o600


def test_an_unchanged_file_is_not_written_again(file: Path, state: Path) -> None:
    """A restart costs the card nothing."""
    load_or_last_good(file, state)
    before = (state / LAST_GOOD).stat().st_ino
    load_or_last_good(file, state)
    assert (state / LAST_GOOD).stat().st_ino == before


@pytest.mark.parametrize("damage", [b"", b"[site", b"[site]\ntimezone = 'Mars'\n"])
def test_a_refused_edit_leaves_the_last_good_one_in_force(file: Path, state: Path, damage: bytes) -> None:
    """The old configuration is returned with every problem of the new one, and the copy is untouched."""
    good, _ = load_or_last_good(file, state)
    kept = (state / LAST_GOOD).read_bytes()
    file.write_bytes(damage)
    config, problems = load_or_last_good(file, state)
    assert config == good
    assert problems
    assert (state / LAST_GOOD).read_bytes() == kept


def test_a_vanished_file_leaves_the_last_good_one_in_force(file: Path, state: Path) -> None:
    """A file that cannot be read is a problem, no end."""
    good, _ = load_or_last_good(file, state)
    file.unlink()
    config, problems = load_or_last_good(file, state)
    assert config == good
    assert [problem.key for problem in problems] == [str(file)]


@pytest.mark.parametrize("copy", [None, b"", b"\xff", b"[site]\n"])
def test_without_a_good_copy_the_refusal_is_about_the_file(file: Path, state: Path, copy: bytes | None) -> None:
    """An empty, damaged or missing copy is not used, and what is raised names the file the keeper edits."""
    if copy is not None:
        (state / LAST_GOOD).write_bytes(copy)
    file.write_bytes(b"[site")
    with pytest.raises(ConfigInvalid) as invalid:
        load_or_last_good(file, state)
    assert invalid.value.file == file
    file.unlink()
    with pytest.raises(ConfigUnreadable) as unreadable:
        load_or_last_good(file, state)
    assert unreadable.value.file == file


def test_a_state_folder_that_cannot_be_written_is_a_problem_and_no_end(file: Path) -> None:
    """The good file is used even when no copy can be kept."""
    config, problems = load_or_last_good(file, file / "below a file")
    assert config.enclosure[0].name == "B3"
    assert [problem.key for problem in problems] == ["copy of the last good configuration"]


def test_a_copy_emptied_by_a_power_cut_is_written_again(file: Path, state: Path) -> None:
    """An empty copy, as a cut at the wrong moment leaves it, is replaced at the next good start."""
    (state / LAST_GOOD).write_bytes(b"")
    load_or_last_good(file, state)
    assert (state / LAST_GOOD).read_bytes() == file.read_bytes()


def test_a_write_that_fails_leaves_the_old_file_and_no_litter(tmp_path: Path) -> None:
    """When the new content cannot take the old one's place, the old one stays whole and no temporary file is left."""
    target = tmp_path / "kept"
    target.mkdir()  # a folder cannot be replaced by a file: the rename fails after everything was written
    (target / "old").write_bytes(b"old")
    with pytest.raises(OSError, match="director"):
        write_whole(target, b"new")
    assert (target / "old").read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["kept"]  # noqa: PTH208  hidden files count


OUT_OF_ROOM = """
import resource, sys
from pathlib import Path
from dewkeeper_config.last_good import load_or_last_good
resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
config, problems = load_or_last_good(Path(sys.argv[1]), Path(sys.argv[2]))
print(config.enclosure[0].name, len(problems))
"""


def test_a_write_that_runs_out_of_room_leaves_the_old_copy_whole(file: Path, state: Path) -> None:
    """A copy cut short by a full disk never takes the good one's place, and the daemon still gets its configuration.

    In a process of its own, which may write no file beyond 100 bytes: the limit would also stop pytest's own output.
    """
    (state / LAST_GOOD).write_bytes(b"old")
    done = subprocess.run(
        [sys.executable, "-c", OUT_OF_ROOM, str(file), str(state)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stdout.split() == ["B3", "1"]
    assert (state / LAST_GOOD).read_bytes() == b"old"
    assert os.listdir(state) == [LAST_GOOD]  # noqa: PTH208  hidden files count


def test_the_copy_is_found_where_the_file_says(file: Path, state: Path) -> None:
    """Without a state folder given, copy and fallback use the storage folder, though the edit broke another key."""
    named = f'storage.folder = "{state}"\n'
    file.write_text(named + file.read_text())
    good, problems = load_or_last_good(file)
    assert problems == []
    file.write_text(named + "site.poll_seconds = 1\n")
    assert load_or_last_good(file)[0] == good


def test_the_copy_is_found_when_the_file_says_nothing(file: Path, state: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file broken beyond reading falls back to the copy in the folder systemd made for the service."""
    monkeypatch.setenv("STATE_DIRECTORY", f"{state}:/other")
    good, _ = load_or_last_good(file, state)
    file.write_bytes(b"\xff")
    assert load_or_last_good(file)[0] == good
