"""Transfers over one controller: opened when needed, retried within reason, bounded by a deadline."""

from __future__ import annotations

import errno
import random
import time
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from dewkeeper_config.models import BusConfig
from dewkeeper_drivers import library
from dewkeeper_drivers.adapters import Adapter, KeepsTime, OpenAdapter
from dewkeeper_drivers.errors import BusStuck, ProbeError, ProbeMissing
from dewkeeper_drivers.locks import AdapterLock
from dewkeeper_drivers.translate import GONE, bus_error, open_error

T = TypeVar("T")

PAUSES_SECONDS = (0.001, 0.004, 0.016)
"""Between tries of one transfer, up to half as much again at random. A knock on a long wire is no fault: with every
fifth transfer lost, four tries fail one time in 600. The last pause outlasts a conversion (15.5 ms), in which a sensor
does not answer: its command may have arrived although the controller reported an error."""


_HELLOS = dict.fromkeys((0x44, 0x45, 0x46), (b"\xf3\x2d", b"\x89"))
"""What a sensor's address is told where nobody can be asked without a word: to give its status (SHT3x), its number
(SHT4x). A sensor that has nothing to tell does not acknowledge a read."""

_NOT_SUPPORTED = frozenset({errno.EOPNOTSUPP, errno.EINVAL})


class _CannotAsk(Exception):
    """The controller cannot send an empty message."""


class BusLink:
    """The controller of one bus and the lock that keeps other processes off it. Used by one thread at a time.

    trouble: the error of the last transfer of this session, None when it worked.
    heard: whether anybody answered in this session.
    can_ask: whether, as far as is known, the controller can send an empty message: the way to ask who is there without
        telling anybody anything.
    """

    def __init__(self, config: BusConfig, opener: OpenAdapter, lock_seconds: float) -> None:
        self._config = config
        self._opener = opener
        self._lock_seconds = lock_seconds
        self._adapter: Adapter | None = None
        self._own_time: KeepsTime | None = None
        self._lock: AdapterLock | None = None
        self._deadline = 0.0
        self._silent: int | None = None
        self._libraries: dict[str, Any] = {}
        self._jitter = random.Random(0)  # noqa: S311  spreads retries; nothing secret
        self.trouble: ProbeError | None = None
        self.heard = False
        self.can_ask = True

    @property
    def opened(self) -> bool:
        """Whether there is an open controller."""
        return self._adapter is not None

    @property
    def adapter(self) -> Adapter | None:
        """The open controller, None where there is none."""
        return self._adapter

    def begin(self, seconds: float) -> bool:
        """Start a session of at most so many seconds; return whether the controller was opened anew.

        Raises BusAbsent, BusBusy.
        """
        fresh = self._adapter is None
        if fresh:
            self._open()
        if self._lock is not None:
            try:
                self._lock.acquire(self._lock_seconds)
            except OSError:
                if fresh:  # so that the next session knows that nothing was tidied yet
                    self.drop()
                raise
        # From here on: waiting for another user of the bus is not held against the reading.
        self._deadline = self.now() + seconds
        self.trouble, self._silent, self.heard = None, None, False
        return fresh

    def end(self) -> None:
        """End the session: other processes may talk."""
        if self._lock is not None:
            self._lock.release()

    def drop(self) -> None:
        """Close the controller; the next session opens it anew."""
        adapter, self._adapter, self._own_time = self._adapter, None, None
        lock, self._lock = self._lock, None
        try:
            if adapter is not None:
                adapter.close()
        except OSError:
            pass  # it is gone either way
        finally:
            if lock is not None:
                lock.close()

    def write(self, address: int, data: bytes) -> None:
        """Send one message; an empty one, where the controller cannot, is left out. Raises ProbeMissing, BusError."""
        if data:
            self._transfer(address, "write to", lambda adapter: adapter.write(address, data))
        elif self.can_ask:
            try:
                self._transfer(address, "ask", lambda adapter: _greet(adapter, address))
            except _CannotAsk:
                self.can_ask = False  # the command that follows finds out who is there

    def read(self, address: int, count: int) -> bytes:
        """Return `count` bytes. Raises ProbeMissing, BusError."""
        return self._transfer(address, "read from", lambda adapter: adapter.read(address, count))

    def ask(self, address: int, tries: int = 4) -> bool:
        """Return whether anybody answers at the address. Raises BusError.

        Nothing is said, if the controller can ask so; else something that does no harm, or one byte is read.
        """
        if self.can_ask:
            try:
                return self._answers(address, tries, lambda adapter: _greet(adapter, address))
            except _CannotAsk:
                self.can_ask = False
        if address not in _HELLOS:
            return self._answers(address, tries, lambda adapter: adapter.read(address, 1))
        return any(self._answers(address, tries, _saying(address, hello)) for hello in _HELLOS[address])

    def _answers(self, address: int, tries: int, attempt: Callable[[Adapter], object]) -> bool:
        for _ in range(tries):
            try:
                self._transfer(address, "ask", attempt, pauses=())
            except ProbeMissing:
                self.trouble = None  # silence is an answer here
            else:
                return True
        return False

    def now(self) -> float:
        """Return seconds of the bus's own time: monotonic, or an emulated wire's."""
        return self._own_time.now() if self._own_time is not None else time.monotonic()

    def sleep(self, seconds: float) -> None:
        """Let so many seconds of the bus's own time pass."""
        if self._own_time is not None:
            self._own_time.sleep(seconds)
        else:
            time.sleep(seconds)

    def library(self, name: str) -> Any:
        """Return a sensor library whose waits pass on the bus's own time. Raises DriverBroken."""
        if self._own_time is None:
            return library.load(name)
        if name not in self._libraries:
            self._libraries[name] = library.load(name, self.sleep)
        return self._libraries[name]

    def _open(self) -> None:
        try:
            adapter = self._opener(self._config)
        except OSError as error:
            raise open_error(error, self._config.name) from error
        try:
            self._lock = AdapterLock(adapter.lock_path) if adapter.lock_path is not None else None
        except OSError as error:
            adapter.close()
            raise open_error(error, self._config.name) from error
        self._adapter = adapter
        self.can_ask = True
        self._own_time = adapter if isinstance(adapter, KeepsTime) else None

    def _transfer(
        self,
        address: int,
        what: str,
        attempt: Callable[[Adapter], T],
        pauses: Sequence[float] = PAUSES_SECONDS,
    ) -> T:
        """Try up to four times. After a time-out nothing more is said in this session: each word would cost another."""
        if isinstance(self.trouble, BusStuck):
            raise self.trouble
        if self.trouble is not None and address == self._silent:
            raise self.trouble  # the bus device asks again by reading; it has been asked four times already
        for pause in (*pauses, None):
            if self.now() > self._deadline:
                self.trouble = BusStuck(f"bus {self._config.name}: too slow, given up at {address:#04x}")
                raise self.trouble
            try:
                result = attempt(self._adapter or _NO_ADAPTER)
            except OSError as error:
                self.trouble = bus_error(error, f"bus {self._config.name}: {what} {address:#04x}")
                if error.errno in GONE:
                    self.drop()
                    raise self.trouble from error
                if isinstance(self.trouble, BusStuck) or pause is None:
                    self._silent = address if isinstance(self.trouble, ProbeMissing) else None
                    raise self.trouble from error
                self.sleep(pause * self._jitter.uniform(1.0, 1.5))
            else:
                self.trouble, self.heard = None, True
                return result
        raise AssertionError("the last try returns or raises")


def _greet(adapter: Adapter, address: int) -> None:
    try:
        adapter.write(address, b"")
    except OSError as error:
        if error.errno in _NOT_SUPPORTED:
            raise _CannotAsk from error
        raise


def _saying(address: int, hello: bytes) -> Callable[[Adapter], object]:
    return lambda adapter: adapter.write(address, hello)


class _NoAdapter:
    """Stands in when the controller went away in the middle of a session."""

    lock_path = None

    def write(self, address: int, data: bytes) -> None:
        raise OSError(errno.ENODEV, "the controller went away")

    def read(self, address: int, count: int) -> bytes:
        raise OSError(errno.ENODEV, "the controller went away")

    def close(self) -> None:
        return


_NO_ADAPTER = _NoAdapter()
