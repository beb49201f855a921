"""Finding, checking, assigning, replacing and retiring probes.

Buses are opened here, beside a running daemon: the lock on each adapter keeps the two apart for the 20 ms that a
reading takes. Only what is to be remembered is told to the daemon.
"""

from __future__ import annotations

import argparse
import getpass
import re
import time
from pathlib import Path
from typing import Any

from dewkeeper.cli.calibration import add_verbs
from dewkeeper.cli.output import DONE, NOT_WELL, complain, emit, emit_json, say
from dewkeeper.cli.times import positive_seconds
from dewkeeper.errors import CommandRefused, DaemonDown
from dewkeeper.sampling.probe_check import check, find_warming, opened_buses, temperatures
from dewkeeper.service.client import request
from dewkeeper_config.errors import ConfigError
from dewkeeper_config.models import Bus as BusConfig
from dewkeeper_config.models import Config, ProbeConfig
from dewkeeper_drivers.errors import DriverError
from dewkeeper_drivers.scan import Found, as_toml, scan_bus

Commands = argparse._SubParsersAction  # argparse gives its type no public name


def add_commands(commands: Commands[argparse.ArgumentParser]) -> None:
    """Add `probes scan | check | touch | replace | retire | calibrate | calibrations`."""
    parser = commands.add_parser("probes", help="find, check, assign, calibrate, replace and retire probes")
    verbs = parser.add_subparsers(dest="verb", metavar="WHAT", required=True)

    scan = verbs.add_parser("scan", help="find what hangs on the buses; prints configuration for what is new")
    scan.add_argument("--bus", help="only this bus of the configuration, or N of /dev/i2c-N")
    scan.set_defaults(run=_scan)

    looked = verbs.add_parser("check", help="read every probe, uncorrected; says what is wrong and what to do")
    looked.add_argument("probe", nargs="*", help="only these")
    looked.set_defaults(run=_check)

    touch = verbs.add_parser("touch", help="hold the probe of an enclosure in your hand: which one warms?")
    touch.add_argument("enclosure", help="the enclosure whose probe you hold")
    touch.add_argument("--seconds", type=positive_seconds, default=60.0, help="how long to look (default 60)")
    touch.add_argument("--interval", type=positive_seconds, default=1.0, help="seconds between two looks (default 1)")
    touch.add_argument("--placement", default="", help="where in the enclosure it lies, to be remembered")
    touch.set_defaults(run=_touch)

    replace = verbs.add_parser("replace", help="accept the sensor that is now at a probe's place")
    replace.add_argument("probe", help="name of the probe")
    replace.set_defaults(run=_replace)

    retire = verbs.add_parser("retire", help="believe nothing of a probe from now on")
    retire.add_argument("probe", help="name of the probe")
    retire.add_argument("--why", default="", help="the reason")
    retire.set_defaults(run=_retire)

    add_verbs(verbs)


def _scan(args: argparse.Namespace) -> int:
    config = _config_or_none(args)
    known = {_place(probe): probe.name for probe in config.probe} if config is not None else {}
    rows: list[dict[str, Any]] = []
    tables: list[str] = []
    troubles = []
    for bus in _buses_to_scan(config, args.bus):
        try:
            found = scan_bus(bus)
        except DriverError as error:
            troubles.append(str(error))
            continue
        for one in found:
            name = known.get((one.bus, one.multiplexer, one.channel, one.address))
            rows.append(_row(one, name))
            if name is None and one.driver is not None:
                tables.append(as_toml(one, _new_name(one), "WHICH?"))
    if args.format == "json":
        emit_json({"found": rows, "configuration": tables, "troubles": troubles})
    else:
        if rows:
            emit(args, rows, {"where": "where", "what": "what", "serial": "serial", "now": "now", "probe": "probe"})
        if tables:
            say("\nNew; name them, put in the enclosure, and add them to the configuration:\n")
            say("\n".join(tables))
        for trouble in troubles:
            complain(trouble)
    return NOT_WELL if troubles or not rows else DONE


def _check(args: argparse.Namespace) -> int:
    config = args.load_config()
    wanted = _chosen(config, args.probe)
    with opened_buses(config) as buses:
        looked = [check(probe, buses) for probe in wanted]
    enclosures = {probe.name: probe.enclosure or probe.room for probe in wanted}
    rows: list[dict[str, Any]] = [
        {
            "probe": one.probe,
            "enclosure": enclosures[one.probe],
            "where": one.where,
            "temperature_c": None if one.temperature_c is None else round(one.temperature_c, 2),
            "humidity_percent": None if one.humidity_percent is None else round(one.humidity_percent, 1),
            "serial": one.serial,
            "well": not one.trouble,
            "says": "well" if not one.trouble else f"{_sentence(one.trouble)} {_sentence(one.advice)}",
            "placement": "",
        }
        for one in looked
    ]
    for answer in _asked(config, {"do": "probe_serials"}).get("probes", []):
        for row in rows:
            if row["probe"] == answer["probe"]:
                row["placement"] = answer["placement"]
                if answer["what"] not in ("same", "new"):
                    row["well"], row["says"] = False, answer["says"]
    columns = {"probe": "probe", "enclosure": "enclosure", "where": "where", "temperature_c": "°C"}
    columns |= {"humidity_percent": "%RH", "says": "says"}
    if any(row["placement"] for row in rows):
        columns["placement"] = "placement"
    emit(args, rows, columns)
    return DONE if all(row["well"] for row in rows) else NOT_WELL


def _touch(args: argparse.Namespace) -> int:
    config = args.load_config()
    mine = [probe for probe in config.probe if probe.enclosure == args.enclosure]
    if not mine:
        complain(f"no probe of an enclosure {args.enclosure!r} is configured")
        return NOT_WELL
    complain(f"Hold the probe of {args.enclosure} in your hand now, for up to {args.seconds:g} s ...")
    with opened_buses(config) as buses:
        found, rise = find_warming(
            lambda: temperatures(config.probe, buses),
            lambda: time.sleep(args.interval),
            max(1, round(args.seconds / max(args.interval, 1.0))),
        )
        serials = {probe.name: check(probe, buses).serial for probe in config.probe if probe.name == found}
    right = found is not None and found in {probe.name for probe in mine}
    remembered: dict[str, Any] = {}
    if found is None:
        text = "none warmed clearly more than the others. Is it plugged in? `dewkeeper probes check` tells"
    elif right:
        text = f"{found} warmed by {rise[found]:.1f} °C: it is the probe of {args.enclosure}"
        accept = {"do": "probe_accept", "probe": found, "serial": serials[found], "placement": args.placement}
        accept["who"] = getpass.getuser()
        remembered = _asked(config, accept)
        text += ", and recorded" if remembered.get("done") else "; the daemon does not run, nothing was recorded"
    else:
        there = next(probe.enclosure for probe in config.probe if probe.name == found)
        text = f"it is {found} that warmed, by {rise[found]:.1f} °C, and the configuration puts it in {there}: "
        text += f"correct `enclosure` of {found} in the configuration, or the wiring"
    if args.format == "json":
        emit_json({"warmed": found, "right": right, "rise_c": rise, "recorded": bool(remembered.get("done"))})
    else:
        say(text)
    return DONE if right else NOT_WELL


def _replace(args: argparse.Namespace) -> int:
    config = args.load_config()
    (probe,) = _chosen(config, [args.probe])
    with opened_buses(config) as buses:
        looked = check(probe, buses)
    if looked.temperature_c is None:
        complain(f"{_sentence(looked.trouble)} {_sentence(looked.advice)}")
        return NOT_WELL
    accept = {"do": "probe_accept", "probe": probe.name, "serial": looked.serial, "who": getpass.getuser()}
    reply = request(config.storage.folder, accept)
    if args.format == "json":
        emit_json(reply)
    else:
        say(f"{probe.name} has sensor {reply['serial']} from now on.")
        if reply.get("calibration_ended"):
            say("The calibration of the sensor before has ended: check the new one, `dewkeeper probes calibrate` records it.")
        if probe.serial is not None and probe.serial != reply["serial"]:
            say(f"Change its line in the configuration: serial = {reply['serial']}")
    return DONE


def _retire(args: argparse.Namespace) -> int:
    config = args.load_config()
    (probe,) = _chosen(config, [args.probe])
    retire = {"do": "probe_retire", "probe": probe.name, "why": args.why, "who": getpass.getuser()}
    reply = request(config.storage.folder, retire)
    if args.format == "json":
        emit_json(reply)
    else:
        say(f"{probe.name}: nothing is believed of it from now on; its history stays.")
        say(f'Take its [[probe]] table (name = "{probe.name}") out of the configuration.')
    return DONE


def _chosen(config: Config, names: list[str]) -> list[ProbeConfig]:
    known = {probe.name: probe for probe in config.probe}
    unknown = [name for name in names if name not in known]
    if unknown:
        raise CommandRefused(f"no probe {', '.join(unknown)}; there are: {', '.join(sorted(known))}")
    return [known[name] for name in names] if names else list(config.probe)


def _asked(config: Config, message: dict[str, Any]) -> dict[str, Any]:
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
        if args.config.exists():
            complain(f"scanning without the configuration, which cannot be read: {error}")
        return None
    return config


def _buses_to_scan(config: Config | None, wanted: str | None) -> list[BusConfig]:
    if wanted is not None and wanted.isdecimal():
        return [BusConfig(name=f"i2c{wanted}", number=int(wanted))]
    if config is not None and config.bus:
        chosen = [bus for bus in config.bus if wanted in (None, bus.name)]
        if not chosen:
            complain(f"no bus {wanted!r} is configured; there are: {', '.join(bus.name for bus in config.bus)}")
        return chosen
    names = (re.fullmatch(r"i2c-(\d+)", path.name) for path in Path("/dev").glob("i2c-*"))
    numbers = sorted(int(name[1]) for name in names if name is not None)
    if not numbers:
        complain("there is no /dev/i2c-*: switch I2C on with raspi-config, and reboot")
    return [BusConfig(name=f"i2c{number}", number=number) for number in numbers]


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(("?", ".", "!")) else ".")


def _place(probe: ProbeConfig) -> tuple[str | None, int | None, int | None, int | None]:
    return probe.bus, probe.multiplexer, probe.channel, probe.address


def _new_name(found: Found) -> str:
    behind = "" if found.multiplexer is None else f"-{found.multiplexer:x}-{found.channel}"
    return f"{found.bus}{behind}-{found.address:x}"


def _row(found: Found, name: str | None) -> dict[str, Any]:
    behind = "" if found.multiplexer is None else f" {found.multiplexer:#04x}/{found.channel}"
    values = found.temperature_c is not None and found.humidity_percent is not None
    return {
        "where": f"{found.bus}{behind} {found.address:#04x}",
        "what": found.driver or "not one of ours",
        "serial": found.serial,
        "now": f"{found.temperature_c:.1f} °C {found.humidity_percent:.0f} %" if values else None,
        "probe": name or ("new" if found.driver else None),
    }
