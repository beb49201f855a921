"""What a scan found, written as configuration: to be copied, named and run."""

from __future__ import annotations

import getpass
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from dewkeeper_config.models import BusConfig, Config
from dewkeeper_config.sketch import RackSketch, sketched
from dewkeeper_config.values import check_name
from dewkeeper_drivers.scan import Found, Scanned

_ZONE_LINK = Path("/etc/localtime")
# As many places as the configuration lets a shelf have.
_MOST_ON_A_SHELF = 99
_FEW = 4
"""So many sensors written one by one still fit a screen, and a keeper sees each with its own wires."""


def proposal(scans: Sequence[Scanned], config: Config | None, parents: Mapping[str, str]) -> str:
    """Return TOML for every sensor found that no probe of `config` is wired to, an empty text when there is none.

    Without a configuration it is a complete file; with one it is what to add to it, and each `[[bus]]` that must change.
    Every new sensor gets an enclosure of its own, T1, T2 ...: which is which, `probes touch` tells. parents: bus -> the
    bus it is a channel of.
    """
    wired = {(p.bus, p.multiplexer, p.channel, p.address) for p in config.probe} if config is not None else set()
    new = [
        one
        for scan in scans
        for one in scan.found
        if one.driver is not None and (one.bus, one.multiplexer, one.channel, one.address) not in wired
    ]
    if not new:
        return ""
    lines: list[str] = []
    if config is None:
        lines += ["[site]", f'timezone = "{zone()}"', ""]
        alike = _alike(new, scans, parents)
        if alike is not None:
            said = [f"# T{number} {note}" for number, one in enumerate(new, 1) if (note := _note(one))]
            return "\n".join([*lines, sketched(alike), *said, "", *people()])
    for scan in scans:
        lines += _bus(scan, new, config, parents)
    rack = "rack"
    if config is None or not config.rack:
        lines += ["[[rack]]", f'name = "{rack}"', ""]
    else:
        rack = config.rack[-1].name
    for name, place, one in _named(new, config):
        lines += [
            "[[enclosure]]", f'name = "{name}"', f'rack = "{rack}"',
            f"shelf = {(place - 1) // _MOST_ON_A_SHELF + 1}", f"place = {(place - 1) % _MOST_ON_A_SHELF + 1}", "",
            *_probe(one, name), "",
        ]  # fmt: skip
    if config is None:
        lines += people()
    return "\n".join(lines)


def _alike(new: Sequence[Found], scans: Sequence[Scanned], parents: Mapping[str, str]) -> RackSketch | None:
    """Return the rack that has just these sensors, wired in order; None when they are few, or wired otherwise."""
    buses = [scan.bus for scan in scans if any(one.bus == scan.bus.name for one in new)]
    plain = all(bus.kind == "linux" and not bus.options for bus in buses)
    drivers = {str(one.driver) for one in new}
    if not _FEW < len(new) <= _MOST_ON_A_SHELF or not plain or len(drivers) > 1:
        return None
    multiplexers = tuple(sorted({one.multiplexer for one in new if one.multiplexer is not None}))
    adapters = {bus.adapter or parents.get(bus.name, bus.name) for bus in buses}
    rack = RackSketch(
        name="rack", room="room", shelves=[len(new)], tubs="T{number}", driver=drivers.pop(),
        numbers=[bus.number for bus in buses], multiplexers=multiplexers, room_probe=False,
        adapter=min(adapters), placement="",
    )  # fmt: skip
    named = {bus.name: f"{rack.bus} {bus.number}" if len(buses) > 1 else rack.bus for bus in buses}
    found = [(named[one.bus], one.multiplexer, one.channel, one.address) for one in new]
    wired = [tuple(wire.get(key) for key in ("bus", "multiplexer", "channel", "address")) for wire in rack.wires()]
    # Written back and compared: a rack in short form stands for exactly these wires, or it is not used.
    return rack if found == wired[: len(found)] and len(adapters) == 1 else None


def _bus(scan: Scanned, new: Sequence[Found], config: Config | None, parents: Mapping[str, str]) -> list[str]:
    used = [one for one in new if one.bus == scan.bus.name]
    known = next((bus for bus in config.bus if bus.name == scan.bus.name), None) if config is not None else None
    declared = {m.address for m in known.multiplexers} if known is not None else set()
    needed = {one.multiplexer for one in used if one.multiplexer is not None}
    if not used or (known is not None and needed <= declared):
        return []
    lines = [] if known is None else [f'# in place of the [[bus]] "{known.name}" that is there:']
    return [*lines, "[[bus]]", *_bus_keys(known or scan.bus, declared | needed, parents), ""]


def _bus_keys(bus: BusConfig, multiplexers: set[int], parents: Mapping[str, str]) -> Iterator[str]:
    yield f'name = "{bus.name}"'
    if bus.kind != "linux":
        yield f'kind = "{bus.kind}"'
    yield f"number = {bus.number}"
    adapter = bus.adapter or parents.get(bus.name)
    if adapter is not None:
        yield f'adapter = "{adapter}"'
    if multiplexers:
        yield f"multiplexers = [{', '.join(f'{{ address = {a:#04x} }}' for a in sorted(multiplexers))}]"
    if bus.options:
        written = (f"{key} = {_value(value)}" for key, value in bus.options.items())
        yield f"options = {{ {', '.join(written)} }}"


def _value(value: str | int | float | bool) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def _named(new: Sequence[Found], config: Config | None) -> Iterator[tuple[str, int, Found]]:
    """Yield a free name, a free place and the sensor."""
    taken = (
        set()
        if config is None
        else {e.name.casefold() for e in config.enclosure} | {p.name.casefold() for p in config.probe}
    )
    filled = set() if config is None or not config.rack else _filled(config, config.rack[-1].name)
    # Behind as many as are there; one that was left empty before them may be meant to stay so.
    number = place = 0 if config is None else len(config.enclosure)
    for one in new:
        number, place = number + 1, place + 1
        while place in filled:
            place += 1
        while f"t{number}" in taken:
            number += 1
        yield check_name(f"T{number}"), place, one


def _filled(config: Config, rack: str) -> set[int]:
    """Return the places of a rack that have an enclosure, counted over its shelves."""
    return {(e.shelf - 1) * _MOST_ON_A_SHELF + e.place for e in config.enclosure if e.rack == rack}


def _probe(one: Found, name: str) -> Iterator[str]:
    yield "[[probe]]"
    yield f'name = "{name.lower()}"'
    yield f'enclosure = "{name}"'
    yield f'driver = "{one.driver}"'
    yield f'bus = "{one.bus}"'
    if one.multiplexer is not None:
        yield f"multiplexer = {one.multiplexer:#04x}"
        yield f"channel = {one.channel}"
    yield f"address = {one.address:#04x}"
    yield f"# {_note(one)}"


def _note(one: Found) -> str:
    reads = ""
    if one.temperature_c is not None and one.humidity_percent is not None:
        reads = f"reads {one.temperature_c:.1f} °C, {one.humidity_percent:.0f} %RH now"
    serial = "" if one.serial is None else f"serial number {one.serial}, remembered at the first reading"
    return "; ".join(part for part in (reads, serial) if part)


def people() -> list[str]:
    """Return a channel and a person to begin with, as lines of TOML."""
    return [
        "[[channel]]",
        'kind = "webhook"',
        'name = "phone"',
        'url = { credential = "phone_url" }  # /etc/dewkeeper/credentials/phone_url holds the address of your push service',
        "",
        "[[person]]",
        f'name = "{_login()}"',
        'channels = ["phone"]',
        "",
    ]


def _login() -> str:
    try:
        return check_name(getpass.getuser())
    except (OSError, KeyError, ValueError):
        return "keeper"


def zone() -> str:
    """Return this machine's time zone, UTC where it does not say."""
    try:
        _, found, zone = str(_ZONE_LINK.resolve(strict=True)).partition("/zoneinfo/")
    except OSError:
        return "UTC"
    return zone if found else "UTC"
