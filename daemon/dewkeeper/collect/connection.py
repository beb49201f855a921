"""One connection to the server: verified, with a deadline on everything, and its complaints in plain words.

A frozen server still acknowledges what the network brings it, so neither its own timeouts nor TCP's end a wait; at the
deadline of a batch the socket is shut down under it.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import psycopg
from psycopg.conninfo import conninfo_to_dict

from dewkeeper.collect.errors import CollectError, ServerRefused, ServerUnreachable

BATCH_SECONDS: Final = 300.0
"""For one transaction: a day of 128 probes at ten seconds over a slow line."""
_CONNECT_SECONDS = 20
_SYSTEM_CA = "/etc/ssl/certs/ca-certificates.crt"  # Debian's ca-certificates; psycopg's own OpenSSL looks elsewhere
_SETTLED = {
    "application_name": "dewkeeper",
    "client_encoding": "UTF8",
    "connect_timeout": str(_CONNECT_SECONDS),
    "gssencmode": "disable",  # it would ask for a ticket before anything else, and wait
    # A server that is gone without a word is missed after a minute, whether or not something was sent to it.
    "keepalives_idle": "30",
    "keepalives_interval": "10",
    "keepalives_count": "3",
    "tcp_user_timeout": "60000",
    # pg_temp last: it would be searched first if it were not named (PostgreSQL, search_path).
    "options": "-c search_path=dewkeeper,pg_temp -c timezone=UTC -c bytea_output=hex "
    f"-c statement_timeout={int(BATCH_SECONDS)}s -c idle_in_transaction_session_timeout={int(BATCH_SECONDS)}s",
}
_COMING_BACK = ("starting up", "shutting down", "too many clients", "remaining connection slots", "recovery")


def parameters(address: str, ca_file: Path | None) -> dict[str, Any]:
    """Return how to connect. Raises ServerRefused for a text that is no address, and never repeats it.

    Every server that is not on this machine, and every one with a `ca_file`, must show a certificate for its name.
    """
    try:
        given = conninfo_to_dict(address)
    except psycopg.Error:
        raise ServerRefused(
            "the address is none that PostgreSQL understands: host=... dbname=... user=... password=..."
        ) from None
    if ca_file is not None or not _on_this_machine(given):
        given |= {"sslmode": "verify-full", "sslrootcert": str(ca_file or _SYSTEM_CA)}
    return given | _SETTLED


def _on_this_machine(given: Mapping[str, Any]) -> bool:
    hosts = str(given.get("hostaddr") or given.get("host") or "/").split(",")
    return all(host.startswith("/") or host == "localhost" or _loopback(host) for host in hosts)


def _loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class ServerLink:
    """An open connection; every transaction by `batch`. Raises ServerUnreachable, ServerRefused."""

    def __init__(self, given: Mapping[str, Any], seconds: float = BATCH_SECONDS) -> None:
        self._seconds = seconds
        with plainly():
            self.connection = psycopg.connect(**given)
        # A name of our own: `end` comes from another thread, and libpq may have closed its own by then.
        self._socket = socket.socket(fileno=os.dup(self.connection.fileno()))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the connection."""
        with contextlib.suppress(psycopg.Error):
            self.connection.close()
        self._socket.close()

    def end(self) -> None:
        """Shut the connection down under whoever waits on it; from any thread."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)

    @contextlib.contextmanager
    def batch(self) -> Iterator[psycopg.Cursor[Any]]:
        """One transaction, all of it or nothing, within its deadline."""
        watchdog = threading.Timer(self._seconds, self.end)
        watchdog.daemon = True
        watchdog.start()
        try:
            with plainly(), self.connection.transaction(), self.connection.cursor() as cursor:
                yield cursor
        finally:
            watchdog.cancel()
            watchdog.join()


@contextlib.contextmanager
def plainly() -> Iterator[None]:
    """Turn the library's errors into ours, without the statement, its values or any secret."""
    try:
        yield
    except psycopg.Error as error:
        raise _in_words(error) from None  # its traceback could carry what was sent


def _in_words(error: psycopg.Error) -> CollectError:
    state, said = error.sqlstate, error.diag.message_primary or str(error).strip().partition("\n")[0]
    if state is None:
        said = str(error).strip()
        if "certificate" in said or ("SSL" in said and "unexpectedly" not in said and "closed" not in said):
            return ServerRefused(f"the server's certificate is not accepted: {_line(said)}")
        if "FATAL" in said and not any(word in said for word in _COMING_BACK):
            return ServerRefused(f"the server lets nobody in by this address: {_line(said)}")
        return ServerUnreachable(f"the server does not answer: {_line(said) or type(error).__name__}")
    if state == "53100":
        return ServerRefused(f"the server's disk is full: {said}")
    # Of 23505, a key that came meanwhile: the next try looks for it.
    if state[:2] in ("08", "40", "57", "53", "55") or state == "23505":
        return ServerUnreachable(f"the server could not do it now: {said}")
    if state == "42501":
        return ServerRefused(f"the server refuses it to this role: {said}")
    if state in ("3F000", "42P01", "42883", "42703"):
        return ServerRefused(f"the server's schema is not ours ({said}): run `dewkeeper collect init` there")
    return ServerRefused(f"the server refuses it: {said}")


def _line(said: str) -> str:
    """Return what was said on one line, the last of several tries: it is the one that counts."""
    return " ".join(said.splitlines()[-1].split())[:300] if said else ""
