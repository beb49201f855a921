"""One I2C controller, shared by many probes without any of them hanging it or answering for another.

How a sampler uses it, with one thread per controller:

    bus = open_bus(config)           # never needs the hardware to be there
    probe = open_probe(probe_config, bus)
    every poll:
        bus.begin_cycle()            # budgets are fresh, quarantines run down
        probe.read() ...             # each at most `READ_SECONDS`, a sick branch at most 2 s a cycle in all
        bus.end_cycle()
        bus.faults()                 # branches given up for now, each to be named once

Everything a probe does happens in a session of its `Port`: thread lock, process lock, multiplexer selected and read
back, and, whatever happened, deselected again at the end.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

from dewkeeper_config.models import BusConfig
from dewkeeper_drivers.adapters import OpenAdapter, find_adapter
from dewkeeper_drivers.branches import ROOT, Branch, BranchFault, BusHealth
from dewkeeper_drivers.errors import BranchLost, BusBusy, BusError, BusStuck, ProbeError
from dewkeeper_drivers.link import BusLink
from dewkeeper_drivers.multiplexers import Multiplexers
from dewkeeper_drivers.siblings import Siblings

LOCK_SECONDS = 2.0
"""Patience with another user of the bus; a whole reading takes 20 ms."""

READ_SECONDS = 1.0
"""A session that lasts longer is broken off before its next transfer."""

_BURST_WINDOW = 32
_BURST_CRC_ERRORS = 3


class Bus:
    """One controller and what hangs on it. Opens it when first needed, and again whenever it went away.

    siblings: the buses on the same wires, this one among them; without, it is alone there.
    """

    def __init__(
        self,
        config: BusConfig,
        opener: OpenAdapter,
        *,
        siblings: Siblings | None = None,
        lock_seconds: float = LOCK_SECONDS,
        read_seconds: float = READ_SECONDS,
    ) -> None:
        self.name = config.name
        self.number = config.number
        self.multiplexers = tuple(multiplexer.address for multiplexer in config.multiplexers)
        self._lock_seconds = lock_seconds
        self._read_seconds = read_seconds
        self._lock = threading.RLock()  # a library's own locking nests inside its driver's session
        self._active: Port | None = None
        self._siblings = siblings or Siblings(config.name)
        self._health = BusHealth(config.name)
        self._crc: deque[bool] = deque(maxlen=_BURST_WINDOW)
        self.link = BusLink(config, opener, lock_seconds)
        self._multiplexers = Multiplexers([m.address for m in config.multiplexers], self.link)

    def begin_cycle(self) -> None:
        """Start a poll: every branch gets a fresh budget of trouble."""
        self._health.begin_cycle()

    def end_cycle(self) -> None:
        """End a poll: try once more to leave no channel open."""
        if self.link.opened and self._multiplexers.unknown and not self._health.given_up:
            try:
                with self.session(Port(self, ROOT)):
                    pass
            except ProbeError:
                return  # the next session tries again, and its failure is booked there

    def faults(self) -> tuple[BranchFault, ...]:
        """Return the branches in quarantine: one fault each, however many probes hang there."""
        return self._health.faults()

    def close(self) -> None:
        """Release the controller; safe to call twice."""
        with self._lock:
            self.end_cycle()
            self.link.drop()

    def port(self, multiplexer: int | None = None, channel: int | None = None, address: int | None = None) -> Port:
        """Return a branch as an object with the methods of Blinka's `busio.I2C`.

        address: of the probe, so that the session can make sure that nobody else answers there.
        """
        return Port(self, Branch(multiplexer, channel), address)

    def note_crc(self, damaged: bool) -> None:
        """Book whether an answer came damaged."""
        self._crc.append(damaged)

    @property
    def crc_burst(self) -> bool:
        """Whether 3 of the last 32 answers were damaged: of damaged words one in 256 looks whole, so doubt them all."""
        return sum(self._crc) >= _BURST_CRC_ERRORS

    @property
    def doubtful(self) -> bool:
        """Whether, in this session, some multiplexer has not confirmed that it is closed."""
        selected = self._active.branch.multiplexer if self._active is not None else None
        return bool(self._multiplexers.unknown - {selected})

    def confirm(self) -> None:
        """Make sure, at the end of a session, that no channel was changed under it. Raises BusError."""
        if self._active is not None:
            self._multiplexers.confirm(self._active.branch.multiplexer, self._active.branch.channel)

    @contextmanager
    def session(self, port: Port) -> Iterator[None]:
        """Have the bus, with the port's branch selected. Raises ProbeMissing, BusError; not what the block raised."""
        self.enter(port)
        try:
            yield
        finally:
            self.leave()

    def enter(self, port: Port) -> None:
        """Begin a session; inside one of the same port, a nested one. Raises BusError."""
        if not self._lock.acquire(timeout=self._lock_seconds):
            raise BusBusy(f"bus {self.name} has been in use for {self._lock_seconds:g} s by another thread")
        if self._active is not None:  # the lock is held by one thread only: it is ours, and this is nested
            if self._active.branch != port.branch:
                self._lock.release()
                raise BusError(f"bus {self.name}: {port.branch} asked for in a session of {self._active.branch}")
            self._active.depth += 1
            return
        try:
            # Before the bus is touched: what is given up must cost nothing.
            self._health.refuse(port.branch)
            self._siblings.refuse(self.name)
            if self.link.begin(self._read_seconds):
                self._multiplexers.distrust()  # whatever a killed process left open
        except BaseException:
            self._lock.release()
            raise
        # From here on `leave` tidies up, also after a selection that failed half-way.
        self._active, port.depth, port.began = port, 1, self.link.now()
        try:
            self._select(port)
        except BaseException:
            self.leave()
            raise

    def leave(self) -> None:
        """End a session, with every channel closed again as far as the bus allows. Raises nothing."""
        port = self._active
        if port is None:
            return
        port.depth -= 1
        if port.depth == 0:
            try:
                self._deselect(port)
            finally:
                self._active = None
                self.link.end()
                self._lock.release()
            return
        self._lock.release()

    def _select(self, port: Port) -> None:
        branch = port.branch
        # First, for it goes by a channel that stands open, and the next line closes them all.
        self._acquit()
        self._multiplexers.close_all()
        # No time-out so far: the lines are free again, whoever held them.
        self._health.bus_answers()
        if branch.multiplexer is None or branch.channel is None:
            return
        if self._multiplexers.unknown and port.address is not None and self.link.ask(port.address):
            self.link.trouble = BranchLost(
                f"{port.address:#04x} answers with nothing selected: a multiplexer is stuck open",
                culprit=min(self._multiplexers.unknown),  # who is stuck open is at fault, not who suffers from it
            )
            raise self.link.trouble
        try:
            self._multiplexers.select(branch.multiplexer, branch.channel)
        except BranchLost as error:
            self.link.trouble = error
            raise

    def _deselect(self, port: Port) -> None:
        """Close the branch, and book how the session went."""
        trouble, heard = self.link.trouble, self.link.heard
        if isinstance(trouble, BusStuck):
            # Each further word would cost a controller's time-out. Whoever comes next tidies up.
            self._multiplexers.distrust(port.branch.multiplexer)
            # Somebody answered before it got stuck: so this branch took the bus down.
            if heard:
                self._health.suspect = port.branch
        elif port.branch.multiplexer is not None and self.link.opened:
            try:
                self._multiplexers.close(port.branch.multiplexer)
            except BusStuck as error:
                trouble = error
                self._health.suspect = port.branch
        if self.link.opened:  # else it went away in the middle, and its clock with it
            self._health.book(port.branch, trouble, heard, self.link.now() - port.began)
            self._siblings.note(self.name, heard, trouble if isinstance(trouble, BusStuck) else None)

    def _acquit(self) -> None:
        """Take the blame for a dead bus off a channel that still stands open while the bus works.

        Whoever mends a plug leaves it open; whoever pulls the multiplexer's supply or RESET closes it, and tells nothing.
        """
        blamed = self._health.blamed()
        if blamed is None or blamed.multiplexer is None or blamed.channel is None:
            return
        if self._multiplexers.shows(blamed.multiplexer) == 1 << blamed.channel:
            self._health.acquit()


class Port:
    """One branch of a bus, as Blinka's `busio.I2C`: what sensor libraries are given.

    Locking it begins a session. A driver that needs several transfers of one conversation holds `session` around
    them; the library's own locking nests inside.
    """

    def __init__(self, bus: Bus, branch: Branch, address: int | None = None) -> None:
        self.bus = bus
        self.branch = branch
        self.address = address
        self.depth = 0
        self.began = 0.0

    @contextmanager
    def session(self) -> Iterator[None]:
        """Have the bus to oneself, with this branch selected. Raises ProbeMissing, BusError."""
        with self.bus.session(self):
            yield

    def try_lock(self) -> bool:
        """Begin a session and return True. Raises BusError instead of returning False, on which libraries spin."""
        self.bus.enter(self)
        return True

    def unlock(self) -> None:
        """End the session."""
        self.bus.leave()

    def writeto(self, address: int, buffer: bytes | bytearray, *, start: int = 0, end: int | None = None) -> None:
        """Send `buffer[start:end]`. Raises ProbeMissing, BusError."""
        self.bus.link.write(address, bytes(buffer[start:end]))

    def readfrom_into(self, address: int, buffer: bytearray, *, start: int = 0, end: int | None = None) -> None:
        """Fill `buffer[start:end]`. Raises ProbeMissing, BusError."""
        end = len(buffer) if end is None else end
        buffer[start:end] = self.bus.link.read(address, end - start)

    def writeto_then_readfrom(
        self,
        address: int,
        buffer_out: bytes | bytearray,
        buffer_in: bytearray,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        """Send, then receive, with a stop in between. Raises ProbeMissing, BusError."""
        self.writeto(address, buffer_out, start=out_start, end=out_end)
        self.readfrom_into(address, buffer_in, start=in_start, end=in_end)


def open_bus(config: BusConfig, siblings: Siblings | None = None) -> Bus:
    """Return the configured bus; the hardware need not be there yet. Raises DriverUnknown, DriverBroken."""
    return Bus(config, find_adapter(config.kind), siblings=siblings)
