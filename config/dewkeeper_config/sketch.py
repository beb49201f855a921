"""A rack written down from a few answers, in the short form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from dewkeeper_config.expansion import wires
from dewkeeper_config.json_schema import toml_value
from dewkeeper_config.models import RackProbes

PLACEMENT = "cool end, a hand's breadth from the bowl, just above the substrate"


@dataclass(frozen=True, slots=True)
class RackSketch:
    """What a person says of a rack.

    shelves: how many places each has, from the top. numbers: of /dev/i2c-N, several where the kernel drives the
    multiplexer, one otherwise. multiplexers: addresses of those that dewkeeper drives. empty: tubs that are not there.
    """

    name: str
    room: str
    shelves: Sequence[int]
    tubs: str = "{letter}{place}"
    profile: str = "adult"
    driver: str = "sht31d"
    numbers: Sequence[int] = (1,)
    multiplexers: Sequence[int] = ()
    empty: Sequence[str] = ()
    room_probe: bool = True
    adapter: str = "i2c1"
    placement: str = PLACEMENT

    @property
    def bus(self) -> str:
        """Return the name of the bus, or of the row of buses, that the probes hang on."""
        return f"i2c{self.numbers[0]}" if len(self.numbers) == 1 else f"{self.name} wires"

    def wires(self) -> list[dict[str, Any]]:
        """Return where its probes can hang, in the order of the places: keys of a probe, `bus` by its number's name."""
        names = [self.bus] if len(self.numbers) == 1 else [f"{self.bus} {number}" for number in self.numbers]
        return wires(names, RackProbes(multiplexers=list(self.multiplexers)))


def sketched(rack: RackSketch) -> str:
    """Return the rack, its buses and its probes as TOML, as a keeper would write them."""
    # The places take theirs first, empty ones too.
    left = rack.wires()[sum(rack.shelves) :]
    lines = [
        *_bus(rack),
        "",
        "[[rack]]",
        f"name = {toml_value(rack.name)}",
        f"room = {toml_value(rack.room)}",
        f"shelves = {toml_value(list(rack.shelves))}  # places on each, from the top",
        f"tubs = {toml_value(rack.tubs)}",
        "",
        "[rack.each]",
        f"profile = {toml_value(rack.profile)}",
        "",
        "[rack.probe]  # wired in this order: address after address, channel after channel",
        f"driver = {toml_value(rack.driver)}",
        f"bus = {toml_value(rack.bus)}",
    ]
    if rack.multiplexers:
        lines.append(f"multiplexers = {_hexed(rack.multiplexers)}")
    if rack.placement:
        lines.append(f"placement = {toml_value(rack.placement)}")
    if rack.empty:
        lines += ["", "[rack.exceptions]", f"{toml_value(', '.join(rack.empty))} = {{ empty = true }}"]
    if rack.room_probe:
        lines += ["", *_room_probe(rack, left[0] if left else {})]
    return "\n".join(lines) + "\n"


def _bus(rack: RackSketch) -> list[str]:
    lines = ["[[bus]]", f"name = {toml_value(rack.bus)}"]
    if len(rack.numbers) > 1:
        first, last = rack.numbers[0], rack.numbers[-1]
        row = list(rack.numbers) == list(range(first, last + 1))
        written = f"{first}-{last}" if row else ", ".join(map(str, rack.numbers))
        return [*lines, f'numbers = "{written}"', f"adapter = {toml_value(rack.adapter)}"]
    lines.append(f"number = {rack.numbers[0]}")
    if rack.multiplexers:
        declared = ", ".join(f"{{ address = {address:#04x} }}" for address in rack.multiplexers)
        lines.append(f"multiplexers = [{declared}]")
    return lines


def _room_probe(rack: RackSketch, wire: dict[str, object]) -> list[str]:
    lines = [
        "[[probe]]",
        f"name = {toml_value(f'{rack.room} air')}",
        'role = "room"',
        f"room = {toml_value(rack.room)}",
    ]
    if not wire:
        return [*lines, "# no wires are left for it: add a channel, and write bus and address here"]
    for key, value in wire.items():
        hexed = key in ("address", "multiplexer")
        lines.append(f"{key} = {value:#04x}" if hexed else f"{key} = {toml_value(value)}")
    return [*lines, f"driver = {toml_value(rack.driver)}", 'placement = "at shelf height, away from window and heater"']


def _hexed(values: Sequence[int]) -> str:
    return "[" + ", ".join(f"{value:#04x}" for value in values) + "]"
