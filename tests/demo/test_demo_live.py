"""`demo/run --live`: the page on the demo's rack, with a week of history behind it."""

from __future__ import annotations

import os
import pty
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest
import requests

CODE = r"\b[0-9A-Z]{4}-[0-9A-Z]{4}-[0-9A-Z]{4}\b"
COMMAND = [sys.executable, "-m", "dewkeeper_demo", "--zone", "Europe/Vienna"]


def printed_until(stream: IO[str], mark: str) -> str:
    """Return what is printed up to the line in which a pattern is complete."""
    said = ""
    while not re.search(mark, said):
        line = stream.readline()
        assert line, f"it ended without {mark!r}: {said[-2000:]}"
        said += line
    return said


@pytest.fixture
def interruptible() -> Iterator[None]:
    """Let children be interrupted, also where a shell started this whole run in the background, deaf to Ctrl-C."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("interruptible")
@pytest.mark.slow
def test_the_page_has_a_week_behind_it(tmp_path: Path) -> None:
    """The address and code it prints open the page: seven days of curve, the week's journal, animals, and no alarm lost."""
    process = subprocess.Popen(
        [*COMMAND, "--live", "--port", "0", "--state", str(tmp_path / "state")], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    try:
        said = printed_until(process.stdout, CODE)
        address, code = re.search(r"http://127\.0\.0\.1:\d+/", said), re.search(CODE, said)
        assert address is not None
        assert code is not None
        with requests.Session() as keeper:
            keeper.trust_env = False
            form = {"code": code.group(), "name": "Ina", "password": "four plain words here"}
            assert "look" in keeper.post(address.group() + "first", data=form, timeout=60).text
            journal = keeper.get(address.group() + "journal", timeout=60).text
            assert len(re.findall("misted", journal)) > 20
            week = keeper.get(address.group() + "enclosure/A2?span=week", timeout=60).text
            assert "Not measured" not in week
            assert "Cinder" in keeper.get(address.group() + "animals", timeout=60).text
    finally:
        process.send_signal(signal.SIGINT)
        code_of_exit = process.wait(120)
        process.stdout.close()
    assert code_of_exit == 0


@pytest.mark.slow
def test_at_a_terminal_it_offers_the_page(tmp_path: Path) -> None:
    """At a terminal the end of the night asks whether to open the page; no is an answer."""
    try:
        ours, theirs = pty.openpty()
    except OSError as error:  # a bare root without /dev/pts
        pytest.skip(f"no terminal to be had here: {error}")
    process = subprocess.Popen(
        [*COMMAND, "--state", str(tmp_path / "state")], stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True
    )
    os.close(theirs)
    said = b""
    while b"[y/N]" not in said:
        said += os.read(ours, 4096)
    os.write(ours, b"n\n")
    try:
        while chunk := os.read(ours, 4096):
            said += chunk
    except OSError:  # how a terminal says that nobody is left on the other side
        pass
    os.close(ours)
    assert process.wait(120) == 0
    assert b"demo/run --live" in said
