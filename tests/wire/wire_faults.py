"""What goes wrong on a wire, for `Wire.faults`. Each is a callable (wire, transfer, happen); all are repeatable."""

from __future__ import annotations

import errno
import random
import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from dewkeeper_demo.wire import Transfer, Wire

Happen = Callable[[], None]


@dataclass(slots=True)
class Refuse:
    """Transfers that match fail with `code` without reaching anybody.

    address, kind, data: what to match; None matches all. skip: so many matching ones pass first. times: so many fail.
    """

    code: int = errno.EREMOTEIO
    address: int | None = None
    kind: str | None = None
    data: bytes | None = None
    skip: int = 0
    times: int | None = None
    struck: int = 0

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Refuse it or let it happen."""
        if (
            self.address not in (None, transfer.address)
            or self.kind not in (None, transfer.kind)
            or self.data not in (None, transfer.data)
        ):
            return happen()
        if self.skip > 0:
            self.skip -= 1
            return happen()
        if self.times is not None and self.struck >= self.times:
            return happen()
        self.struck += 1
        wire.pass_time(0.0001)
        raise OSError(self.code, "injected")


@dataclass(slots=True)
class Noise:
    """A share of all transfers fails with `code`; half of those that are writes arrive all the same."""

    share: float = 0.2
    code: int = errno.EIO
    seed: int = 1
    dice: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.dice = random.Random(self.seed)

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Fail it or let it happen."""
        if self.dice.random() >= self.share:
            return happen()
        if transfer.kind == "write" and self.dice.random() < 0.5:
            happen()
        wire.pass_time(0.0001)
        raise OSError(self.code, "injected noise")


@dataclass(slots=True)
class BitFlips:
    """A share of the answers from `addresses` arrives with `bits` bits turned over."""

    share: float = 0.05
    bits: int = 1
    seed: int = 1
    addresses: Collection[int] = (0x44, 0x45)
    flipped: int = 0
    dice: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.dice = random.Random(self.seed)

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Let it happen, and perhaps damage the answer."""
        happen()
        if transfer.address in self.addresses and transfer.result and self.dice.random() < self.share:
            self.flipped += 1
            damaged = int.from_bytes(transfer.result, "big")
            for place in self.dice.sample(range(8 * len(transfer.result)), self.bits):
                damaged ^= 1 << place
            transfer.result = damaged.to_bytes(len(transfer.result), "big")


@dataclass(slots=True)
class AllBits:
    """Every answer from `addresses` is the same byte throughout: 0xFF for a line that floats, 0x00 for one held."""

    byte: int = 0xFF
    addresses: Collection[int] = (0x44, 0x45)

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Let it happen and replace the answer."""
        happen()
        if transfer.address in self.addresses and transfer.result:
            transfer.result = bytes([self.byte]) * len(transfer.result)


@dataclass(slots=True)
class HeldLow:
    """A line held low: every transfer times out. With `branch`, only while that channel is selected.

    deaf: whether the multiplexer is cut off too, as by a hard short on the channel; then nothing but its reset helps.
    Otherwise it still hears: a probe that stretches the clock only when it is spoken to. seconds: each time-out; by
    default the controller's.
    """

    branch: tuple[int, int] | None = None
    deaf: bool = False
    seconds: float | None = None

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Time out or let it happen."""
        if self.branch is not None:
            now_open = [pair for mux in wire.muxes for pair in mux.open_channels()]
            if self.branch not in now_open or (not self.deaf and 0x70 <= transfer.address <= 0x77):
                return happen()
        wire.pass_time(wire.timeout_seconds if self.seconds is None else self.seconds)
        raise OSError(errno.ETIMEDOUT, "Connection timed out")


@dataclass(slots=True)
class Slow:
    """Matching transfers work and take so much longer: a clock stretched by a sick probe."""

    seconds: float
    address: int | None = None

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Let it happen, late."""
        if self.address in (None, transfer.address):
            wire.pass_time(self.seconds)
        happen()


@dataclass(slots=True)
class Blocked:
    """The call does not return until `release` is set, whatever deadline the caller had in mind. Real time."""

    release: threading.Event
    address: int | None = None

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Block, then let it happen."""
        if self.address in (None, transfer.address):
            self.release.wait()
        happen()


@dataclass(slots=True)
class Swallow:
    """Matching writes are reported as sent and reach nobody: what a lost arbitration looks like through a library
    that ignores the result. Writes number `skip`+1 to `skip`+`times`, counted over matching ones."""

    address: int | None = None
    skip: int = 0
    times: int | None = None
    swallowed: int = 0

    def __call__(self, wire: Wire, transfer: Transfer, happen: Happen) -> None:
        """Swallow it or let it happen."""
        if transfer.kind != "write" or not transfer.data or self.address not in (None, transfer.address):
            return happen()
        if self.skip > 0:
            self.skip -= 1
            return happen()
        if self.times is not None and self.swallowed >= self.times:
            return happen()
        self.swallowed += 1
        wire.pass_time(0.0003)
