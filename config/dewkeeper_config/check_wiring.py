"""Whether buses, multiplexers and probes can be wired as the file says.

Two devices that answer to one address do not fail cleanly: they pull the lines together, and what is read is the
mixture, sometimes with a valid checksum. So everything that can be seen at once on a bus must differ.
"""

from __future__ import annotations

from collections.abc import Iterator

from dewkeeper_config.entries import FileEntries, FileEntry
from dewkeeper_config.errors import Problem
from dewkeeper_config.models import BusConfig, ProbeConfig
from dewkeeper_config.models.wiring import ADDRESSES


def wiring_problems(entries: FileEntries) -> Iterator[Problem]:
    """Yield what is wrong with buses and with probes on them."""
    yield from _buses(entries)
    buses = {entry.model.name: entry for entry in entries.bus}
    for probe in entries.probe:
        yield from _place(entries, probe)
        yield from _wiring(entries, buses, probe)
    yield from _shared_addresses(entries, buses)
    yield from _shared_serials(entries)


def _buses(entries: FileEntries) -> Iterator[Problem]:
    numbers: dict[int, str] = {}
    for entry in entries.bus:
        bus = entry.model
        first = numbers.setdefault(bus.number, entry.key) if bus.kind == "linux" else entry.key
        if first != entry.key:
            # Two owners of one adapter interleave their transfers: another enclosure's reading may come back.
            yield entry.problem("number", bus.number, f"each /dev/i2c-N once; {first} already is /dev/i2c-{bus.number}")
        addresses = [m.address for m in bus.multiplexers]
        if len(set(addresses)) < len(addresses):
            yield entry.worded("multiplexers", _hex(*addresses), "each address once on a bus")


def place_problems(entries: FileEntries) -> Iterator[Problem]:
    """Yield enclosures that would stand in one place. Where the file says no place, nothing is said of it here."""
    first: dict[tuple[str, int, int], str] = {}
    for entry in entries.enclosure:
        enclosure = entry.model
        if "place" not in enclosure.given or {"shelf", "place", "rack"} & entry.lost:
            continue
        taken = first.setdefault((enclosure.rack, enclosure.shelf, enclosure.place), entry.key)
        if taken != entry.key:
            allowed = f"a place of its own on shelf {enclosure.shelf}; {taken} stands there"
            yield entry.problem("place", enclosure.place, allowed)


def _place(entries: FileEntries, entry: FileEntry[ProbeConfig]) -> Iterator[Problem]:
    probe = entry.model
    if "role" in entry.lost:
        return
    if probe.role == "room":
        if probe.room is None:
            yield entry.problem("room", None, "the room it reads, for its role is room" + _known(sorted(entries.rooms)))
        if probe.enclosure is not None:
            yield entry.problem("enclosure", probe.enclosure, "no enclosure for a probe of role room")
    else:
        if probe.enclosure is None:
            names = entries.known("enclosure")
            yield entry.problem(
                "enclosure", None, f"the enclosure it reads, for its role is {probe.role}" + _known(names)
            )
        if probe.room is not None:
            yield entry.problem(
                "room", probe.room, "a room only with role room; an enclosure stands in its rack's room"
            )
    if probe.enclosure is not None and probe.enclosure not in entries.known("enclosure"):
        yield entry.problem(
            "enclosure", probe.enclosure, "the name of an [[enclosure]]" + _known(entries.known("enclosure"))
        )
    if probe.room is not None and probe.role == "room" and probe.room not in entries.rooms:
        yield entry.problem("room", probe.room, "the room of a [[rack]]" + _known(sorted(entries.rooms)))


def _wiring(
    entries: FileEntries, buses: dict[str, FileEntry[BusConfig]], entry: FileEntry[ProbeConfig]
) -> Iterator[Problem]:
    probe = entry.model
    if probe.bus is not None and probe.bus not in entries.known("bus"):
        yield entry.problem("bus", probe.bus, "the name of a [[bus]]" + _known(entries.known("bus")))
    if {"bus", "multiplexer", "channel", "driver"} & entry.lost:
        return
    if (probe.multiplexer is None) != (probe.channel is None):
        missing = "multiplexer" if probe.multiplexer is None else "channel"
        yield entry.problem(missing, None, "multiplexer and channel together, or neither")
    if probe.multiplexer is not None:
        if probe.bus is None:
            yield entry.problem("bus", None, "the bus its multiplexer is on")
        elif probe.bus in buses:
            there = [m.address for m in buses[probe.bus].model.multiplexers]
            if probe.multiplexer not in there:
                allowed = f"a multiplexer of bus {probe.bus}: {_hex(*there) if there else 'it declares none'}"
                yield entry.worded("multiplexer", _hex(probe.multiplexer), allowed)
    chip = ADDRESSES.get(probe.driver)
    if chip is not None and probe.address is not None and probe.address not in chip:
        yield entry.worded("address", _hex(probe.address), f"{_hex(*chip)} for driver {probe.driver}")


def _shared_addresses(entries: FileEntries, buses: dict[str, FileEntry[BusConfig]]) -> Iterator[Problem]:
    """Find addresses that answer together: on one channel, and on the bus itself, which every channel sees."""
    direct: dict[tuple[str, int], str] = {}
    behind: dict[tuple[str, int | None, int | None, int], str] = {}
    for bus in entries.bus:
        for multiplexer in bus.model.multiplexers:
            direct.setdefault((bus.model.name, multiplexer.address), f"multiplexer of {bus.key}")
    # Direct ones first: the rule against sharing is the same in whatever order the file lists them.
    wired = sorted(entries.probe, key=lambda entry: entry.model.multiplexer is not None)
    for entry in wired:
        probe = entry.model
        if probe.bus is None or probe.address is None or {"multiplexer", "channel"} & entry.lost:
            continue
        on_bus = (probe.bus, probe.address)
        where = (probe.bus, probe.multiplexer, probe.channel, probe.address)
        taken = behind.setdefault(where, entry.key)
        if taken == entry.key and on_bus in direct:
            taken = direct[on_bus]
        if probe.multiplexer is None:
            parent = _parent(buses, probe.bus)
            # What hangs before the kernel's multiplexer answers on each of its channels, which are buses of their own
            # here.
            if taken == entry.key and parent is not None:
                taken = next((k for (b, a), k in direct.items() if b == parent and a == probe.address), taken)
            direct.setdefault(on_bus, entry.key)
        if taken != entry.key:
            allowed = f"an address not used twice where both answer; {taken} has it already"
            yield entry.worded("address", _hex(probe.address), allowed)


def _parent(buses: dict[str, FileEntry[BusConfig]], name: str) -> str | None:
    """Return the bus of which `name` is a channel of the kernel's multiplexer: the one its adapter is named for."""
    adapter = buses[name].model.adapter if name in buses else None
    return adapter if adapter in buses and adapter != name else None


def _shared_serials(entries: FileEntries) -> Iterator[Problem]:
    first: dict[int, str] = {}
    for entry in entries.probe:
        serial = entry.model.serial
        if serial and first.setdefault(serial, entry.key) != entry.key:
            yield entry.problem("serial", serial, f"each sensor once; {first[serial]} has this serial")


def _hex(*values: int) -> str:
    return ", ".join(f"{value:#04x}" for value in values)


def _known(names: list[str]) -> str:
    """Return the names to choose from, when they fit a line."""
    shown = ", ".join(names[:12]) + (" ..." if len(names) > 12 else "")
    return f": {shown}" if names else " (there is none)"
