"""Asking the running daemon, over its socket in the state folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dewkeeper.errors import CommandRefused, DaemonDown

if TYPE_CHECKING:
    from socket import socket

SOCKET_NAME = "control.sock"
CONFIGURATION = "configuration"
"""The request for the configuration that the daemon goes by."""
LONGEST_BYTES = 1 << 20
"""Longest request or reply."""


def may_answer(folder: Path) -> bool:
    """Return whether there is anything to ask: without it a command need not load what asks."""
    return (folder / SOCKET_NAME).exists()


def request(folder: Path, message: Mapping[str, Any], timeout_seconds: float = 20.0) -> dict[str, Any]:
    """Send one request and return the daemon's reply.

    Raises DaemonDown when nobody answers, CommandRefused with the daemon's reason when it said no.
    """
    path = folder / SOCKET_NAME
    try:
        path.stat()  # before what is needed to ask is loaded
        import json
        from socket import AF_UNIX, SHUT_WR, SOCK_STREAM, socket

        with socket(AF_UNIX, SOCK_STREAM) as connection:
            connection.settimeout(timeout_seconds)
            connection.connect(str(path))
            connection.sendall(json.dumps(dict(message)).encode() + b"\n")
            # So that the daemon does not wait for more of a request that it finds incomplete.
            connection.shutdown(SHUT_WR)
            reply = json.loads(_all_of(connection) or b"null")
    except (OSError, ValueError) as error:
        reason = error.strerror or str(error) if isinstance(error, OSError) else str(error)
        raise DaemonDown(str(path), reason) from error
    if not isinstance(reply, dict):
        raise DaemonDown(str(path), "no reply")
    if "refused" in reply:
        raise CommandRefused(str(reply["refused"]))
    return reply


def _all_of(connection: socket) -> bytes:
    parts = bytearray()
    while len(parts) <= LONGEST_BYTES:
        part = connection.recv(65536)
        if not part:
            break
        parts += part
    return bytes(parts)
