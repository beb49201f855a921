"""What the drivers of both Sensirion families share: the session, the second try, the serial under doubt."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TypeVar

from dewkeeper_config.models import ProbeConfig
from dewkeeper_drivers.buses import Bus, Port
from dewkeeper_drivers.contract import Sample
from dewkeeper_drivers.errors import BranchLost, BusError, BusStuck, DriverUnusable, ProbeCrc, ProbeGarbled
from dewkeeper_drivers.translate import translated

T = TypeVar("T")

TRIES = 3


def port_for(config: ProbeConfig, bus: Bus | None, addresses: tuple[int, ...]) -> Port:
    """Return the port of a configured probe. Raises DriverUnusable for what cannot be wired."""
    if bus is None or config.address is None:
        raise DriverUnusable(f"probe {config.name}: driver {config.driver} needs a bus and an address")
    if config.address not in addresses:
        allowed = ", ".join(f"{a:#04x}" for a in addresses)
        raise DriverUnusable(f"probe {config.name}: address {config.address:#04x} is not one of {allowed}")
    return bus.port(config.multiplexer, config.channel, config.address)


class Conversation:
    """Talking with one sensor: whole exchanges, repeated when the wire damaged them, errors in our words."""

    def __init__(self, port: Port, probe: str, address: int) -> None:
        self.port = port
        self.probe = probe
        self.address = address
        self._serial: int | None = None
        self._heard: int | None = None
        self._sure = False  # whether the serial was heard twice
        self._measured: int | None = None

    def run(self, what: str, exchange: Callable[[], T]) -> T:
        """Return what the exchange returns, tried up to three times. Raises ProbeError.

        Damage is retried; silence and a held bus are not: they were given their chances one level down.
        """
        for tries_left in range(TRIES - 1, -1, -1):
            try:
                with self._translated(what), self.port.session():
                    result = exchange()
                    self.port.bus.confirm()
                    return result
            except (BusStuck, BranchLost):
                raise
            except (ProbeCrc, ProbeGarbled, BusError) as error:
                self.port.bus.note_crc(isinstance(error, ProbeCrc))
                if tries_left == 0:
                    raise
        raise AssertionError("the last try returns or raises")

    def who(self, ask: Callable[[], int]) -> int:
        """Return the serial number, the same at two askings, the last one before among them. Raises ProbeGarbled.

        Another program may have had the sensor measure between question and answer; then a measurement comes in
        place of the number, whole and with its checksums. It is not the same twice, or it is what we measured too.
        """
        for _ in range(TRIES):
            before, self._heard = self._heard, ask()
            if self._heard == before:
                break
        else:
            raise ProbeGarbled("its serial number is another one each time: another program uses it")
        if self._heard == self._measured:
            raise ProbeGarbled("what it measured came in place of its serial number: another program uses it")
        self._sure = True
        return self.remember(self._heard)

    def remember(self, serial: int) -> int:
        """Keep the serial as this sensor's if it was heard in a clear moment, and return it."""
        self._heard = serial
        if not self.port.bus.doubtful:
            self._serial = serial
        return serial

    def measured(self, temperature_word: int, humidity_word: int) -> tuple[int, int]:
        """Return the words of a conversion. Raises ProbeGarbled when they are the serial number."""
        self._measured = temperature_word << 16 | humidity_word
        if self._measured == self._serial:
            if not self._sure:  # then it may as well have been the other way round
                self._serial = self._heard = None
            raise ProbeGarbled("its serial number came in place of what it measured: another program uses it")
        return temperature_word, humidity_word

    def knows(self, serial: int) -> bool:
        """Return whether a serial is this sensor's, as far as is known."""
        return self._serial in (None, serial)

    def make_sure(self, ask: Callable[[], int]) -> None:
        """While some multiplexer may be stuck open, make sure by its serial that the right sensor answers.

        Raises BranchLost. Costs 3 ms, only then. A sensor never heard in a clear moment cannot be told apart; there
        the silence of its address before the channel was selected has to do.
        """
        if self.port.bus.doubtful and self._serial is not None:
            there = ask()
            if there != self._serial:
                raise BranchLost(
                    f"probe {self.probe}: sensor {there:#010x} answers instead of {self._serial:#010x}; "
                    f"a multiplexer is stuck open"
                )

    def noting(self, sample: Sample) -> Sample:
        """Return the sample with `crc_burst` among its notes if the bus damages many answers."""
        bus = self.port.bus
        bus.note_crc(False)
        return replace(sample, notes=(*sample.notes, "crc_burst")) if bus.crc_burst else sample

    @contextmanager
    def _translated(self, what: str) -> Iterator[None]:
        with translated(self.probe, f"probe {self.probe}: {what}"):
            try:
                yield
            except ValueError:
                # The bus device swallows the bus's own error and says "no device"; give the true one back.
                if isinstance(self.port.bus.link.trouble, BusError):
                    raise self.port.bus.link.trouble from None
                raise
