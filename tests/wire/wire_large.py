"""A large rack on the wire: many probes behind many multiplexers, each in an air of its own, for tests and benches."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from dewkeeper_config.models import BusConfig, Multiplexer, ProbeConfig
from dewkeeper_demo.wire import Wire, register_rack
from dewkeeper_demo.wire_chips import Air, Sht3x
from dewkeeper_drivers.contract import SHT3X

FIRST_TEMPERATURE_WORD, FIRST_HUMIDITY_WORD = 26_000, 40_000


@dataclass(slots=True)
class LargeRack:
    """The wire, its configuration, and each probe's sensor.

    Probe number n senses the words 26,000 + n and 40,000 + n, has the serial 1,000 + n and the name `p` and n.
    """

    wire: Wire
    bus: BusConfig
    probes: list[ProbeConfig] = field(default_factory=list)
    chips: dict[str, Sht3x] = field(default_factory=dict)


def large_rack(name: str, multiplexers: int = 8, keep: int = 0, lock: Path | None = None) -> LargeRack:
    """Return a rack of that name with 16 probes a multiplexer: two addresses on each of eight channels."""
    wire = register_rack(name).add(number=1, keep=keep)
    options: dict[str, str | int | float | bool] = {"rack": name}
    if lock is not None:
        options["lock"] = str(lock)
    addresses = [0x70 + place for place in range(multiplexers)]
    bus = BusConfig(
        name="w", kind="wire", number=1, options=options, multiplexers=[Multiplexer(address=a) for a in addresses]
    )
    made = LargeRack(wire, bus)
    for multiplexer in addresses:
        mux = wire.add_mux(multiplexer)
        for channel in range(8):
            for address in (0x44, 0x45):
                number = len(made.probes)
                chip = Sht3x(_air(number), serial=1000 + number, address=address)
                mux.channels[channel].append(chip)
                config = ProbeConfig(
                    name=f"p{number}",
                    enclosure=f"E{number}",
                    bus="w",
                    address=address,
                    multiplexer=multiplexer,
                    channel=channel,
                )
                made.probes.append(config)
                made.chips[config.name] = chip
    return made


def _air(number: int) -> Air:
    values = SHT3X.decode(FIRST_TEMPERATURE_WORD + number, FIRST_HUMIDITY_WORD + number)
    return lambda: values
