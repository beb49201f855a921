"""Commands whose configuration was checked before: what they say is what they say of a file read anew."""

from __future__ import annotations

import contextlib
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from dewkeeper.cli import main
from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import PASS, Quality, Reading
from dewkeeper.store import Store
from dewkeeper.store.records import Batch
from dewkeeper_config.models import Storage
from dewkeeper_config.snapshot import SNAPSHOT


@pytest.fixture
def file(tmp_path: Path, rack_text: str) -> Path:
    """Return a good file whose state folder is there."""
    (tmp_path / "state").mkdir()
    path = tmp_path / "rack.toml"
    path.write_text(f'storage = {{ folder = "{tmp_path}/state" }}\n{rack_text}', encoding="utf-8")
    return path


def said(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Return exit code and output of a command."""
    code = main([*words])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


VERBS = (["check"], ["check", "--format", "json"], ["show"], ["show", "--format", "json"])


def test_a_file_checked_before_is_checked_and_shown_as_one_read_anew(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Good, and lacking what only this machine can say: the same words with the kept configuration, without it, with a damaged one."""
    kept, config = file.parent / "state" / SNAPSHOT, ("--config", str(file))
    texts = [file.read_text()]
    texts.append(texts[0].replace("address = 0x44\n", "", 1).replace('"T0PSECRET"', '{ file = "/nowhere" }'))
    texts.append(texts[0].replace('enclosure = "B3"\n', 'enclosure = "B3"\ndriver = "barometer"\n'))
    texts.append(texts[0].replace("number = 3", 'number = 3\nkind = "carrier_pigeon"'))
    texts.append(texts[0].replace('kind = "webhook"', 'kind = "webhook"\nbody = "template"\ntemplate = "{titel}"'))
    texts.append(texts[0].replace('"T0PSECRET"', '{ env = "NOT_SHOWN" }'))
    codes = []
    for text in texts:
        file.write_text(text)
        for verb in VERBS:
            kept.unlink(missing_ok=True)
            anew = said(capsys, "config", *verb, *config)
            assert kept.exists()
            assert said(capsys, "config", *verb, *config) == anew
            kept.write_bytes(kept.read_bytes()[:-1])
            assert said(capsys, "config", *verb, *config) == anew
        codes.append(said(capsys, "config", "check", *config)[0])
    assert codes == [0, 1, 1, 1, 1, 1]


def test_a_secret_that_went_away_since_is_missed(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It is looked for at every check, not when the file was read first."""
    secret = file.parent / "secret"
    secret.write_text("T0PSECRET")
    file.write_text(file.read_text().replace('"T0PSECRET"', f'{{ file = "{secret}" }}'))
    assert said(capsys, "config", "check", "--config", str(file))[0] == 0
    secret.unlink()
    code, out, _ = said(capsys, "config", "check", "--config", str(file))
    assert (code, str(secret) in out) == (1, True)


def test_an_edit_is_refused_though_the_file_before_was_good(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What is kept holds for its own bytes only, and stays for them."""
    good = file.read_text()
    assert said(capsys, "config", "check", "--config", str(file))[0] == 0
    file.write_text(good.replace('rack = "left"', 'rak = "left"'))
    for verb in VERBS:
        assert said(capsys, "config", *verb, "--config", str(file))[0] == 2
    file.write_text(good)
    assert said(capsys, "config", "check", "--config", str(file))[0] == 0


READING = (["config", "check"], ["config", "show"], ["now"], ["morning"], ["history", "B4"], ["alarms"], ["journal", "list"],
           ["probes", "calibrations"])  # fmt: skip


def answer_all(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Run everything that reads: it says something, nothing is raised, and the file is good."""
    for words in READING:
        code, out, err = said(capsys, *words, "--config", str(file))
        assert out or err, words
        assert "Traceback" not in err, words
        if words[0] == "config":
            assert code == 0, err


@contextlib.contextmanager
def unwritable(folder: Path) -> Iterator[None]:
    """Let nobody write a folder; root, who may write any, is kept out by the mount."""
    root = os.geteuid() == 0
    if root:
        if subprocess.run(["mount", "--bind", str(folder), str(folder)], check=False, capture_output=True).returncode:
            pytest.skip("root writes everywhere, and may not mount here")
        subprocess.run(["mount", "-o", "remount,bind,ro", str(folder)], check=True)
    else:
        folder.chmod(0o555)
    try:
        yield
    finally:
        if root:
            subprocess.run(["umount", str(folder)], check=True)
        else:
            folder.chmod(0o755)


@pytest.mark.parametrize("checked_before", [True, False])
def test_a_state_folder_that_cannot_be_written_changes_no_answer(
    file: Path, checked_before: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """What reads answers as before, and nothing is left in the folder."""
    state = file.parent / "state"
    if checked_before:
        assert said(capsys, "config", "check", "--config", str(file))[0] == 0
    before = sorted(state.iterdir())
    with unwritable(state):
        answer_all(file, capsys)
        assert sorted(state.iterdir()) == before


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can mount")
def test_a_state_folder_mounted_read_only_changes_no_answer(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same where even root cannot write: a file system that became read-only, as cards end."""
    state = file.parent / "state"
    if subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(state)], check=False, capture_output=True).returncode:
        pytest.skip("no mounts here")
    try:
        start = int(time.time()) - 3600
        with contextlib.closing(Store.open(state, Storage(folder=state), ManualClock())) as store:
            rows = [Reading(start + 60 * i, "b4", 26.0, 64.5, 26589, 42270) for i in range(60)]
            store.commit(Batch(readings=tuple((row, Quality(row.time, row.probe, PASS, ())) for row in rows)))
        for checked_before in (False, True):
            subprocess.run(["mount", "-o", "remount,rw", str(state)], check=True)
            if checked_before:
                assert said(capsys, "config", "check", "--config", str(file))[0] == 0
            subprocess.run(["mount", "-o", "remount,ro", str(state)], check=True)
            assert (state / SNAPSHOT).exists() == checked_before
            answer_all(file, capsys)
            code, out, err = said(capsys, "history", "B4", "--format", "json", "--config", str(file))
            assert (code, err) == (0, "")
            assert "64.5" in out
    finally:
        subprocess.run(["umount", str(state)], check=True)
