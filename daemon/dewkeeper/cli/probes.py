"""Finding, checking, assigning, replacing and retiring probes.

Buses are opened here, beside a running daemon: the lock on each adapter keeps the two apart for the 20 ms that a
reading takes. Only what is to be remembered is told to the daemon.
"""

from __future__ import annotations

import argparse
import getpass
import re
from pathlib import Path
from typing import Any

from dewkeeper.cli import scanning
from dewkeeper.cli.output import DONE, NOT_WELL, complain, emit, emit_json, say
from dewkeeper.errors import CommandRefused
from dewkeeper.sampling.probe_check import check, opened_buses
from dewkeeper.service.client import request
from dewkeeper_config.models import Config, ProbeConfig


def _check(args: argparse.Namespace) -> int:
    config = args.load_config()
    wanted = _chosen(config, args.probe)
    answers = scanning.asked(config, {"do": "probe_serials"}).get("probes", [])
    accepted = {answer["probe"]: answer["serial"] for answer in answers if answer["what"] == "same"}
    with opened_buses(config) as buses:
        looked = [check(probe, buses, accepted.get(probe.name)) for probe in wanted]
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
    for answer in answers:
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


def _replace(args: argparse.Namespace) -> int:
    config = args.load_config()
    (probe,) = _chosen(config, [args.probe])
    with opened_buses(config) as buses:
        looked = check(probe, buses)
    # To accept a sensor that does not answer would accept none.
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
            say(
                "The calibration of the sensor before has ended: check the new one, `dewkeeper probes calibrate` records it."
            )
        if probe.serial is not None and probe.serial != reply["serial"]:
            line = _serial_line(args.config, probe)
            say(
                f"{args.config}{f', line {line},' if line else ''} still says serial = {probe.serial}. What you accepted holds; "
                f"when you next edit the file, make it serial = {reply['serial']}, or take the line out."
            )
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


def _serial_line(file: Path, probe: ProbeConfig) -> int | None:
    """Return the number of the line in the configuration file that names a probe's serial, None where it is not plain."""
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except OSError:
        return None
    block: dict[str, tuple[int, str]] = {}
    # By line, not by a TOML reader: readers do not keep line numbers, and the keeper has to find it.
    for number, line in enumerate(lines, start=1):
        if line.lstrip().startswith("["):
            # A new table: what was seen belongs to the one before.
            block = {}
        found = re.match(r"\s*(name|serial)\s*=\s*[\"']?([^\"'#]*)", line)
        if found is not None:
            block[found[1]] = (number, found[2].strip())
        if "serial" in block and block.get("name", (0, ""))[1] == probe.name:
            return block["serial"][0]
    return None


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(("?", ".", "!")) else ".")
