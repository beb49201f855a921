"""The control socket, over a real Unix socket."""

from __future__ import annotations

import contextlib
import getpass
import os
import resource
import socket
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.errors import CommandRefused, DaemonDown
from dewkeeper.service.client import SOCKET_NAME, request
from dewkeeper.service.control import ControlSocket


def _echo(message: dict[str, Any]) -> Mapping[str, Any]:
    return {"got": message}


def _refuse(message: dict[str, Any]) -> Mapping[str, Any]:
    raise CommandRefused("not today")


def _crash(message: dict[str, Any]) -> Mapping[str, Any]:
    raise ZeroDivisionError("oh")


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A state folder with a served socket."""
    served = ControlSocket(tmp_path, {"echo": _echo, "refuse": _refuse, "crash": _crash})
    served.start()
    yield tmp_path
    served.stop()


def test_request_reaches_the_handler_with_the_login_name(folder: Path) -> None:
    """The handler gets the request and who asked, from the kernel's word."""
    reply = request(folder, {"do": "echo", "x": "ä" * 100_000})
    assert reply["got"]["x"] == "ä" * 100_000
    assert reply["got"]["who"] == getpass.getuser()


def test_refusals_and_crashes_are_told_in_words(folder: Path) -> None:
    """A refusal, an unknown verb and a crashing handler all come back as CommandRefused; the socket serves on."""
    with pytest.raises(CommandRefused, match="not today"):
        request(folder, {"do": "refuse"})
    with pytest.raises(CommandRefused, match="known: crash, echo, refuse"):
        request(folder, {"do": "dance"})
    with pytest.raises(CommandRefused, match="crash failed"):
        request(folder, {"do": "crash"})
    assert request(folder, {"do": "echo"})["got"]["do"] == "echo"


@pytest.mark.parametrize(
    "junk",
    [
        b"\xff\x00junk", b"[" * 200_000, b'{"do":' * 100_000, b"[" * 200_000 + b"]" * 200_000, b"3", b"null", b"[]", b'{"do": []}',
        b'{"do": "' + b"x" * 100_000 + b'"}', b'{"do": ' + b"9" * 5000 + b"}", b"x" * 3_000_000, b"\0" * 2000, "{}".encode("utf-16"), b"",
    ],
    ids=range(14),
)  # fmt: skip
def test_junk_on_the_socket_does_no_harm(folder: Path, junk: bytes) -> None:
    """Bytes that are no request, nested or long without end: refused in a short sentence, and the next one is served."""
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(folder / SOCKET_NAME))
        with contextlib.suppress(BrokenPipeError, ConnectionResetError):
            connection.sendall(junk + b"\n")
            said = connection.recv(10_000)
            assert said.startswith(b'{"refused": ')
            assert len(said) < 300
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(folder / SOCKET_NAME))
    assert request(folder, {"do": "echo"})


def test_want_of_descriptors_leaves_nobody_busy(tmp_path: Path) -> None:
    """What takes a while and found no descriptor left is not done, and the next is answered when there are some again."""
    served = ControlSocket(tmp_path, {}, {"long": _echo})
    ours, theirs = socket.socketpair(socket.AF_UNIX)
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    taken: list[int] = []
    with ours, theirs:
        ours.sendall(b'{"do": "long"}\n')
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (256, hard))
            with contextlib.suppress(OSError):
                while True:
                    taken.append(os.open("/dev/null", os.O_RDONLY))
            # As the thread does with a connection; one that it waits for has its descriptor beforehand (accept(2)).
            with pytest.raises(OSError, match="Too many open files"):
                served._serve(theirs)
        finally:
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
            for descriptor in taken:
                os.close(descriptor)
    served.start()
    try:
        assert request(tmp_path, {"do": "long"})["got"]["do"] == "long"
    finally:
        served.stop()


def test_no_daemon_is_said_plainly(tmp_path: Path) -> None:
    """Without a daemon the client says so and what to look at."""
    with pytest.raises(DaemonDown, match="systemctl status dewkeeper"):
        request(tmp_path, {"do": "echo"})


def test_socket_is_closed_to_others(folder: Path) -> None:
    """Only owner and group may command the daemon."""
    assert (folder / SOCKET_NAME).stat().st_mode & 0o007 == 0
