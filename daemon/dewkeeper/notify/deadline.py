"""One total deadline around anything that talks to a network.

A timeout of a socket bounds one wait, not the whole: a server that sends a byte a second never trips it, and looking
up a name has no timeout at all. So every attempt runs in a thread of its own that may be given up, and at the
deadline its connections are shut down under it: whatever it waits for ends, and the thread with it. Only a name
look-up that hangs in the system's resolver outlives that; such threads are counted by whoever started them.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable
from typing import Generic, TypeVar

from dewkeeper.notify.errors import DeadlinePassed

T = TypeVar("T")

_LEAST_SECONDS = 0.001  # a socket whose time-out is 0 does not wait at all


class Guard:
    """The deadline of one attempt, and the connections that end with it. Real monotonic time: sockets are real."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.ends = time.monotonic() + seconds
        self._lock = threading.Lock()
        self._watched: list[socket.socket] = []
        self._expired = False

    def remaining(self) -> float:
        """Return the seconds left, at least a millisecond. Raises DeadlinePassed when there are none."""
        left = self.ends - time.monotonic()
        if self._expired or left <= 0:
            raise DeadlinePassed(self.seconds)
        return max(left, _LEAST_SECONDS)

    def connect(self, host: str, port: int) -> socket.socket:
        """Return a connected, watched socket with the remaining time as its timeout.

        Tries every address of the name, as `socket.create_connection` does, but within the one deadline.
        Raises OSError with the last address's trouble, DeadlinePassed when time is up.
        """
        trouble: OSError | None = None
        for family, kind, protocol, _, address in socket.getaddrinfo(host, port, 0, socket.SOCK_STREAM):
            self.remaining()
            connection = socket.socket(family, kind, protocol)
            try:
                self._watch(connection)
                connection.settimeout(self.remaining())
                connection.connect(address)
                self.remaining()
            except OSError as error:
                connection.close()
                if isinstance(error, DeadlinePassed):
                    raise
                trouble = error
            else:
                return connection
        raise trouble or OSError(f"no address for {host}")

    def expire(self) -> None:
        """End every connection now; whoever waits on one gets an error or an end of file."""
        with self._lock:
            self._expired = True
            for watched in self._watched:
                with contextlib.suppress(OSError):
                    watched.shutdown(socket.SHUT_RDWR)  # close() alone ends no wait in another thread
        self.close()

    def close(self) -> None:
        """Let go of the connections without ending them."""
        with self._lock:
            for watched in self._watched:
                watched.close()
            self._watched.clear()

    def _watch(self, connection: socket.socket) -> None:
        # A duplicate: wrapping in TLS detaches the original object, but both names mean the same connection.
        duplicate = socket.socket(fileno=os.dup(connection.fileno()))
        with self._lock:
            if not self._expired:
                self._watched.append(duplicate)
                return
        duplicate.close()
        raise DeadlinePassed(self.seconds)


class Attempt(Generic[T]):
    """Work in a disposable thread. `done` is called from that thread at its end, however late that is."""

    def __init__(self, name: str, work: Callable[[Guard], T], seconds: float, done: Callable[[], None]) -> None:
        self.guard = Guard(seconds)
        self._work = work
        self._done = done
        self._result: T | None = None
        self._error: Exception | None = None
        self.finished = threading.Event()
        self.thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.thread.start()

    def overdue(self) -> bool:
        """Whether the deadline has passed without a result."""
        return not self.finished.is_set() and time.monotonic() >= self.guard.ends

    def result(self) -> T:
        """Return what the work returned or raise what it raised. Only once `finished` is set."""
        if self._error is not None:
            raise self._error
        return self._result  # type: ignore[return-value]  # finished without an error: there is a result

    def _run(self) -> None:
        try:
            self._result = self._work(self.guard)
        except Exception as error:  # noqa: BLE001  handed on to whoever asks for the result
            self._error = error
        finally:
            self.guard.close()
            self.finished.set()
            self._done()


def run_within(name: str, work: Callable[[Guard], T], seconds: float) -> T:
    """Run the work and return its result. Raises DeadlinePassed after so many seconds, and whatever the work raises."""
    attempt = Attempt(name, work, seconds, lambda: None)
    if not attempt.finished.wait(max(0.0, attempt.guard.ends - time.monotonic())):
        attempt.guard.expire()
        raise DeadlinePassed(seconds)
    return attempt.result()
