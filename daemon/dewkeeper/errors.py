"""What the daemon and its commands can raise.

DewkeeperError
├── DaemonDown (ConnectionError): nobody answers on the control socket
├── AlreadyRunning: another daemon watches with the same folder
├── CommandRefused (ValueError): the daemon understood and said no
├── FileRefused (ValueError): a file is not what it should be, as a whole
└── store.errors.StoreError, notify.errors.NotifyError …: the rooms' own trees hang here
"""

from __future__ import annotations


class DewkeeperError(Exception):
    """Root of everything package `dewkeeper` raises on purpose."""


class DaemonDown(DewkeeperError, ConnectionError):
    """Nobody answers on the control socket: the daemon is not running, or not with this configuration."""

    def __init__(self, socket: str, why: str) -> None:
        super().__init__(f"the daemon does not answer on {socket} ({why}). Is it running? `systemctl status dewkeeper`")


class AlreadyRunning(DewkeeperError):
    """Another daemon has the state folder; this one ends and touches nothing."""

    def __init__(self, holder: str, folder: str) -> None:
        super().__init__(
            f"dewkeeper runs already: {holder} has {folder}. Ask it with `dewkeeper now`; "
            "`sudo systemctl stop dewkeeper` ends it, if it runs as a service"
        )


class CommandRefused(DewkeeperError, ValueError):
    """The daemon understood the command and refused it; the message says why and what is allowed."""


class FileRefused(DewkeeperError, ValueError):
    """A file is not what it should be, as a whole."""
