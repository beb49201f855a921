"""Looking at every probe at once: is it well, what to do if not, and which one is in the keeper's hand."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from dewkeeper_config.models import Config, ProbeConfig
from dewkeeper_drivers.buses import Bus, open_bus
from dewkeeper_drivers.contract import Probe
from dewkeeper_drivers.diagnosis import diagnose
from dewkeeper_drivers.errors import DriverError
from dewkeeper_drivers.registry import open_probe

WARMED_C = 1.0
"""A probe held in the hand is this much warmer than before within half a minute; a rack's own warming is slower."""

CLEAR_LEAD_C = 0.7
"""By so much it must have warmed more than any other, so that a heater switching on nearby is not taken for a hand."""


@dataclass(frozen=True, slots=True)
class Checked:
    """One probe, looked at. `trouble` and `advice` are empty when it is well."""

    probe: str
    where: str
    serial: int | None = None
    temperature_c: float | None = None
    humidity_percent: float | None = None
    trouble: str = ""
    advice: str = ""


@contextmanager
def opened_buses(config: Config) -> Iterator[dict[str, Bus]]:
    """Open every configured bus, and close them again. Raises DriverUnusable."""
    buses = {bus.name: open_bus(bus) for bus in config.bus}
    try:
        yield buses
    finally:
        for bus in buses.values():
            bus.close()


def where_is(probe: ProbeConfig) -> str:
    """Return bus, multiplexer, channel and address in words."""
    if probe.bus is None:
        return probe.driver
    behind = "" if probe.multiplexer is None else f" {probe.multiplexer:#04x}/{probe.channel}"
    return f"{probe.bus}{behind} {probe.address or 0:#04x}"


def check(probe: ProbeConfig, buses: Mapping[str, Bus], accepted: int | None = None) -> Checked:
    """Open and read one probe, and say what is wrong with it and what to do.

    accepted: the serial number the keeper accepted there; it stands before the one in the configuration.
    """
    expected = probe.serial if accepted is None else accepted
    where = where_is(probe)
    bus = buses.get(probe.bus or "")
    if bus is not None:
        bus.begin_cycle()
    try:
        opened = open_probe(probe, bus)
        try:
            sample, serial = opened.read(), opened.serial()
        finally:
            opened.close()
    except DriverError as error:
        found = diagnose(probe, bus, error)
        return Checked(probe.name, where, trouble=found.text, advice=found.advice)
    trouble = advice = ""
    if expected is not None and serial is not None and serial != expected:
        whose = "the configuration says" if accepted is None else "recorded is"
        trouble = f"sensor {serial} is there, {whose} {expected}"
        advice = f"was it moved? put it back. Replaced? `dewkeeper probes replace {probe.name}`"
    elif "heater_on" in sample.notes:
        trouble, advice = "its heater was on; it is off now", "check again in five minutes"
    elif sample.humidity_percent >= 100.0:
        trouble, advice = "reads 100 %: wet, or broken", "dry it; if it stays at 100 % in dry air, replace it"
    return Checked(probe.name, where, serial, sample.temperature_c, sample.humidity_percent, trouble, advice)


class Thermometers:
    """Probes that are read again and again and kept open meanwhile; a hundred of them take three seconds a round.

    over: whether time is up; asked before each probe, so that a round ends in the middle of itself.
    """

    def __init__(self, probes: Sequence[ProbeConfig], buses: Mapping[str, Bus], over: Callable[[], bool]) -> None:
        self._probes = probes
        self._buses = buses
        self._over = over
        self._open: dict[str, Probe] = {}

    def read(self) -> dict[str, float]:
        """Return °C of every probe that could be read in time."""
        for bus in self._buses.values():
            bus.begin_cycle()
        found: dict[str, float] = {}
        for probe in self._probes:
            if self._over():
                break
            try:
                if probe.name not in self._open:
                    self._open[probe.name] = open_probe(probe, self._buses.get(probe.bus or ""))
                found[probe.name] = self._open[probe.name].read().temperature_c
            except DriverError:
                self._open.pop(probe.name, None)  # opened anew in the next round
        return found


def find_warming(
    read: Callable[[], Mapping[str, float]], wait: Callable[[], None], over: Callable[[], bool]
) -> tuple[str | None, dict[str, float]]:
    """Return the probe that warms clearly more than all others, None if none does, and the rise of each in °C.

    read: gives °C by probe. wait: passes the time between two rounds. over: whether time is up. It ends as soon as one is
    clear.
    """
    before = dict(read())
    rise: dict[str, float] = {}
    while not over():
        wait()
        for probe, temperature_c in read().items():
            # One that could not be read at first is compared with the first that came of it.
            rise[probe] = temperature_c - before.setdefault(probe, temperature_c)
        # The nought is the second of a rack of one probe.
        ranked = [*sorted(rise.values(), reverse=True), 0.0]
        if rise and ranked[0] >= WARMED_C and ranked[0] - ranked[1] >= CLEAR_LEAD_C:
            return max(rise, key=rise.__getitem__), rise
    return None, rise
