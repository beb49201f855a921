"""TCA9548A and PCA9548 driven from user space.

One command byte, one bit a channel; it takes effect at STOP, and reading one byte returns it (TCA9548A data sheet,
section 7.5). Own code, because the stock class leaks the bus's lock when the multiplexer does not answer: the next
access of any probe then spins for ever. And because a channel left open answers for somebody else.
"""

from __future__ import annotations

from collections.abc import Sequence

from dewkeeper_drivers.errors import BranchLost, BusError, BusStuck, ProbeError
from dewkeeper_drivers.link import BusLink

ADDRESSES = range(0x70, 0x78)
"""What its pins A0 to A2 can be set to."""

_CLOSED = 0

FRESH_SECONDS = 0.05
"""So soon after a session that ended with every channel where it should be the next one need not ask again at its
beginning: it asks at its own end. Longer than the pause between two readings of a cycle, shorter than any other."""


class Multiplexers:
    """All multiplexers of one bus. Used inside sessions of its link.

    unknown: those that have not confirmed since they were last touched that every channel is closed.
    """

    def __init__(self, addresses: Sequence[int], link: BusLink) -> None:
        self._link = link
        self._addresses = tuple(addresses)
        self._silent: set[int] = set()
        self._confirmed_at: float | None = None
        self.unknown = set(addresses)

    def distrust(self, address: int | None = None) -> None:
        """Believe no longer that the multiplexer (None: any of them) is closed, as after opening the bus."""
        self.unknown.update(self._addresses if address is None else {address})

    def close_all(self) -> None:
        """Have every multiplexer show that it is closed, closing those that are not. Raises BusStuck.

        Another program, or a glitch on the supply of one, may have opened a channel since. It costs 0.2 ms each. Those
        that do not answer are in `unknown` afterwards.
        """
        confirmed, self._confirmed_at = self._confirmed_at, None
        if not self.unknown and confirmed is not None and self._link.now() - confirmed < FRESH_SECONDS:
            return
        for address in self._addresses:
            if address in self.unknown or self.shows(address) != _CLOSED:
                self.close(address)

    def close(self, address: int) -> None:
        """Close one; one that does not confirm becomes unknown. Raises BusStuck."""
        self.unknown.add(address)
        if address in self._silent and not self._link.ask(address, tries=2):
            return  # an absent one must not cost every reading the patience that a present one deserves
        try:
            self._set(address, _CLOSED)
        except BusStuck:
            raise
        except BranchLost:  # it answered, only wrongly: it is not absent
            return
        except ProbeError:
            self._silent.add(address)
        else:
            self._silent.discard(address)
            self.unknown.discard(address)

    def select(self, address: int, channel: int) -> None:
        """Open one channel and make sure. Raises BranchLost, BusStuck."""
        if address in self.unknown:
            raise BranchLost(f"multiplexer {address:#04x} does not answer")
        self.unknown.add(address)  # from the first try on, until it confirms to be closed
        try:
            self._set(address, 1 << channel)
        except BusStuck:
            raise
        except BusError as error:
            raise BranchLost(f"multiplexer {address:#04x} did not select channel {channel}: {error}") from error
        except ProbeError as error:
            raise BranchLost(f"multiplexer {address:#04x} does not answer") from error

    def confirm(self, selected: int | None, channel: int | None) -> None:
        """Have every multiplexer show that its channels are as this session needs them. Raises BusError, BusStuck.

        Asked when the answer is there: what came meanwhile through another channel is not this probe's. Those that do
        not answer at all stay in doubt, and are looked after elsewhere.
        """
        for address in self._addresses:
            if address in self.unknown and address != selected:
                continue
            wanted = 1 << channel if address == selected and channel is not None else _CLOSED
            there = self.shows(address)
            if there != wanted:
                self.unknown.add(address)
                seen = "nothing" if there is None else f"channels {there:#04x}"
                raise BusError(
                    f"multiplexer {address:#04x} shows {seen} instead of {wanted:#04x} after the reading: "
                    f"another program uses the bus, or its supply drops out"
                )
        self._confirmed_at = self._link.now()

    def shows(self, address: int) -> int | None:
        """Return the mask of the channels that are open, None if it does not answer. Raises BusStuck."""
        try:
            return self._link.read(address, 1)[0]
        except BusStuck:
            self.unknown.add(address)
            raise
        except ProbeError:
            return None

    def _set(self, address: int, mask: int) -> None:
        self._link.write(address, bytes([mask]))
        there = self._link.read(address, 1)[0]
        if there != mask:
            raise BranchLost(f"multiplexer {address:#04x} shows channels {there:#04x} instead of {mask:#04x}")
