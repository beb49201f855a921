"""Talking to systemd: READY=1, STATUS= and WATCHDOG=1 over the notify socket. Silent where there is none."""

from __future__ import annotations

import contextlib
import os
import socket


def notify(message: str) -> bool:
    """Send one message, `READY=1` for example, from the calling process; return whether it was sent.

    The protocol is sd_notify(3)'s: a datagram to $NOTIFY_SOCKET, a leading `@` meaning the abstract name space.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as connection:
        connection.settimeout(1.0)
        connection.connect(address)
        connection.sendall(message.encode())
        return True
    return False
