"""`probes scan` and `probes touch`: what hangs on the buses, named or not, and which of it is in the keeper's hand."""

from __future__ import annotations

import argparse
import getpass
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dewkeeper.cli.output import DONE, NOT_WELL, complain, emit, emit_json, say
from dewkeeper.cli.proposal import proposal
from dewkeeper.errors import CommandRefused, DaemonDown
from dewkeeper.sampling.bus_reports import part_name
from dewkeeper.sampling.probe_check import Thermometers, check, find_warming
from dewkeeper.service.client import request
from dewkeeper_config.errors import ConfigError
from dewkeeper_config.models import BusConfig, Config, Multiplexer, ProbeConfig
from dewkeeper_drivers.adapters import parent_number, present_numbers
from dewkeeper_drivers.buses import open_bus
from dewkeeper_drivers.diagnosis import NOTHING_ANSWERS, SWITCHED_OFF, advised, diagnose_bus
from dewkeeper_drivers.errors import DriverError
from dewkeeper_drivers.scan import Found, Scanned, each_once, probe_config, scan_bus


@dataclass(frozen=True, slots=True)
class Looked:
    """What a scan of several buses came to: what was found, each sensor once, and what stood in the way.

    notes: what is well and should be known.
    """

    scans: Sequence[Scanned]
    parents: Mapping[str, str]
    troubles: Sequence[str]
    notes: Sequence[str]


def _scan(args: argparse.Namespace) -> int:
    config = _config_or_none(args)
    looked = _look(config, args.bus)
    written = proposal(looked.scans, None if args.complete else config, looked.parents)
    known = {(p.bus, p.multiplexer, p.channel, p.address): p.name for p in config.probe} if config is not None else {}
    found = [one for scan in looked.scans for one in scan.found]
    rows = [_row(one, known.get((one.bus, one.multiplexer, one.channel, one.address))) for one in found]
    if args.format == "json":
        emit_json({"found": rows, "configuration": written, "troubles": looked.troubles, "notes": looked.notes})
    elif args.complete:
        say(written)
    else:
        if rows:
            emit(args, rows, {"where": "where", "what": "what", "serial": "serial", "now": "now", "probe": "probe"})
        if written:
            say(
                "\nNew. Copy this into the configuration; `dewkeeper probes touch` tells which one you hold, then call the"
            )
            say("enclosures as you call your tubs:\n")
            say(written)
    if args.format != "json":
        for said in (*looked.troubles, *looked.notes):
            complain(said)
    return NOT_WELL if looked.troubles or not any(one.driver for one in found) else DONE


def _look(config: Config | None, wanted: str | None) -> Looked:
    buses, troubles = _buses_to_scan(config, wanted)
    scans: list[Scanned] = []
    for bus in buses:
        try:
            scans.append(scan_bus(bus))
        except DriverError as error:
            found = diagnose_bus(open_bus(bus), error)
            text, advice = (found.text, found.advice) if found is not None else (str(error), advised(error)[0])
            troubles.append(f"{bus.name}: {text}: {advice}")
    parents = _parents(buses)
    # A channel of the kernel's multiplexer shows what hangs on its parent bus as well.
    scans = each_once(scans, parents)
    sensors = {one.bus for scan in scans for one in scan.found if one.driver is not None or one.owned}
    for scan in scans:
        name = scan.bus.name
        if (
            not scan.found
            and not scan.multiplexers
            and not any(parent == name and b in sensors for b, parent in parents.items())
        ):
            troubles.append(f"{name}: nothing answers. Check in this order: {NOTHING_ANSWERS}")
        elif scan.multiplexers and not scan.found:
            there = ", ".join(f"{a:#04x}" for a in scan.multiplexers)
            troubles.append(
                f"{name}: multiplexer {there} answers, and nothing behind it: check the plugs on its channels"
            )
    notes = [
        f"{scan.bus.name}: a sensor at {', '.join(f'{a:#04x}' for a in scan.hidden)} hangs on the bus itself, before the "
        "multiplexers: leave this address unused behind them, for both would answer at once"
        for scan in scans
        if scan.hidden
    ]
    return Looked(scans, parents, troubles, notes)


def _touch(args: argparse.Namespace) -> int:
    config = _config_or_none(args)
    if args.enclosure is not None and not (config and any(p.enclosure == args.enclosure for p in config.probe)):
        complain(
            f"no probe of an enclosure {args.enclosure!r} is configured; without a name, `touch` tells where the one in your hand is"
        )
        return NOT_WELL
    probes, buses = (list(config.probe), list(config.bus)) if config is not None else ([], [])
    if args.enclosure is None:
        probes, buses, troubles = _everything(config, probes)
        for trouble in troubles:
            complain(trouble)
        if not probes:
            return NOT_WELL
    complain(
        f"Hold the probe{f' of {args.enclosure}' if args.enclosure else ''} in your hand now, for up to {args.seconds:g} s ..."
    )
    opened = {bus.name: open_bus(bus) for bus in buses}
    until = time.monotonic() + args.seconds
    try:
        thermometers = Thermometers(probes, opened, lambda: time.monotonic() >= until)
        found, rise = find_warming(
            thermometers.read,
            lambda: time.sleep(max(0.0, min(args.interval, until - time.monotonic()))),
            lambda: time.monotonic() >= until,
        )
        warmed = next((probe for probe in probes if probe.name == found), None)
        # Read while the buses are open, and before anything is said: what is recorded is the sensor that warmed.
        serial = check(warmed, opened).serial if warmed is not None else None
    finally:
        for bus in opened.values():
            bus.close()
    return _said(args, config, warmed, serial, rise)


def _everything(
    config: Config | None, probes: list[ProbeConfig]
) -> tuple[list[ProbeConfig], list[BusConfig], Sequence[str]]:
    """Return what is configured and what else answers, as probes, and the buses with every multiplexer they have."""
    looked = _look(config, None)
    wired = {(p.bus, p.multiplexer, p.channel, p.address) for p in probes}
    new = [
        probe_config(one, one.driver, f"new {number}")
        for number, one in enumerate((one for scan in looked.scans for one in scan.found), start=1)
        if one.driver is not None and (one.bus, one.multiplexer, one.channel, one.address) not in wired
    ]
    buses = []
    for scan in looked.scans:
        declared = {m.address for m in scan.bus.multiplexers} | set(scan.multiplexers)
        muxes = [Multiplexer(address=address) for address in sorted(declared)]
        buses.append(scan.bus.but(multiplexers=muxes))
    there = {bus.name for bus in buses}
    return [p for p in [*probes, *new] if p.bus is None or p.bus in there], buses, looked.troubles


def _said(
    args: argparse.Namespace,
    config: Config | None,
    warmed: ProbeConfig | None,
    serial: int | None,
    rise: Mapping[str, float],
) -> int:
    """Say which one warmed, have it recorded where it is the enclosure's own, and return the exit code."""
    right = warmed is not None and args.enclosure in (None, warmed.enclosure)
    remembered: Mapping[str, Any] = {}
    if warmed is None:
        text = "none warmed clearly more than the others. Is it plugged in? `dewkeeper probes check` tells"
    elif args.enclosure is None:
        where = f"{part_name(warmed.bus, warmed.multiplexer, warmed.channel)}, address {warmed.address or 0:#04x}"
        text = f"it is at {where}; it warmed by {rise[warmed.name]:.1f} °C. "
        place = warmed.enclosure or warmed.room
        text += (
            f"The configuration calls it {warmed.name}, the probe of {place}"
            if place
            else "It is not in the configuration yet"
        )
    elif right and config is not None:
        text = f"{warmed.name} warmed by {rise[warmed.name]:.1f} °C: it is the probe of {args.enclosure}"
        accept = {"do": "probe_accept", "probe": warmed.name, "serial": serial, "placement": args.placement}
        remembered = asked(config, {**accept, "who": getpass.getuser()})
        text += ", and recorded" if remembered.get("done") else "; the daemon does not run, nothing was recorded"
    else:
        text = f"it is {warmed.name} that warmed, by {rise[warmed.name]:.1f} °C, and the configuration puts it in {warmed.enclosure}: "
        text += f"correct `enclosure` of {warmed.name} in the configuration, or the wiring"
    if args.format == "json":
        where = "" if warmed is None else part_name(warmed.bus, warmed.multiplexer, warmed.channel)
        address = None if warmed is None else warmed.address
        emit_json(
            {
                "warmed": None if warmed is None else warmed.name, "where": where, "address": address, "right": right,
                "rise_c": rise, "recorded": bool(remembered.get("done")), "says": text,
            }
        )  # fmt: skip
    else:
        say(text)
    return DONE if right else NOT_WELL


def asked(config: Config, message: Mapping[str, Any]) -> dict[str, Any]:
    """Return the daemon's reply, an empty one when it does not run or has nothing to say."""
    try:
        return request(config.storage.folder, message)
    except (DaemonDown, CommandRefused):
        return {}


def _config_or_none(args: argparse.Namespace) -> Config | None:
    """Return the configuration; none yet is no hindrance: scanning comes before writing one."""
    try:
        config: Config = args.load_config()
    except ConfigError as error:
        # No file yet is the usual case here, and no word is lost on it.
        if args.config.exists():
            complain(f"scanning without the configuration, which cannot be read: {error}")
        return None
    return config


def _buses_to_scan(config: Config | None, wanted: str | None) -> tuple[list[BusConfig], list[str]]:
    """Return the buses to look at, and why there is none."""
    if wanted is not None and wanted.isdecimal():
        if len(wanted) > 3 or int(wanted) > 255:
            raise CommandRefused(f"no bus {wanted:.20}: N of /dev/i2c-N is at most 255")
        return [BusConfig(name=f"i2c{wanted}", number=int(wanted))], []
    if config is not None and config.bus:
        chosen = [bus for bus in config.bus if wanted in (None, bus.name)]
        named = ", ".join(bus.name for bus in config.bus)
        return chosen, [] if chosen else [f"no bus {wanted!r} is configured; there are: {named}"]
    numbers = present_numbers()
    return [BusConfig(name=f"i2c{number}", number=number) for number in numbers], [] if numbers else [SWITCHED_OFF]


def _parents(buses: Sequence[BusConfig]) -> dict[str, str]:
    """Return bus -> the bus of which it is a channel of the kernel's multiplexer: as configured, else as the kernel says."""
    by_number = {bus.number: bus.name for bus in buses if bus.kind == "linux"}
    found: dict[str, str] = {}
    for bus in buses:
        parent = parent_number(bus.number) if bus.kind == "linux" else None
        if bus.adapter is not None and bus.adapter != bus.name:
            found[bus.name] = bus.adapter
        elif parent is not None:
            found[bus.name] = by_number.get(parent, f"i2c{parent}")
    return found


def _row(found: Found, name: str | None) -> dict[str, Any]:
    behind = "" if found.multiplexer is None else f" {found.multiplexer:#04x}/{found.channel}"
    values = found.temperature_c is not None and found.humidity_percent is not None
    what = "a kernel driver has it" if found.owned else found.driver or "not one of ours"
    return {
        "where": f"{found.bus}{behind} {found.address:#04x}",
        "what": what,
        "serial": found.serial,
        "now": f"{found.temperature_c:.1f} °C {found.humidity_percent:.0f} %" if values else None,
        "probe": name or ("new" if found.driver else None),
    }
