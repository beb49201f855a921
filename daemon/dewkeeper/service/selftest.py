"""What an installation must be able to do before it may replace the one that runs; and whether it reads."""

from __future__ import annotations

import importlib
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dewkeeper.clock import SystemClock
from dewkeeper.judge import Judge
from dewkeeper.judge.types import Reading
from dewkeeper.sampling.probe_check import check, opened_buses
from dewkeeper.service.settings import judge_settings
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import parse
from dewkeeper_config.models import BusConfig, Config
from dewkeeper_config.reference import sample
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.diagnosis import advised, diagnose_bus
from dewkeeper_drivers.errors import DriverError

# Each is imported late elsewhere: that one is missing would show only when it is needed.
_NEEDED = ("adafruit_sht31d", "apscheduler.schedulers.background", "requests", "smtplib", "smbus2")


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that was tried, and what came of it."""

    tried: str
    got: str
    well: bool = True


def installation() -> list[Step]:
    """Try what an installation must be able to do before it may replace the one that runs.

    Touches nothing outside a temporary folder.
    """
    steps = [("libraries", _import_all), ("configuration, judge and database", _one_poll)]
    return [_tried(name, step) for name, step in steps]


def reading(config: Config) -> list[Step]:
    """Open every configured bus and read every probe once, beside a running daemon."""
    steps = []
    with opened_buses(config) as buses:
        steps += [_open(bus, buses[bus.name]) for bus in config.bus]
        for probe in config.probe:
            looked = check(probe, buses)
            said = f"{looked.trouble}: {looked.advice}"
            if looked.temperature_c is not None and looked.humidity_percent is not None:
                values = f"{looked.temperature_c:.1f} °C, {looked.humidity_percent:.0f} %RH"
                said = f"{values}; {said}" if looked.trouble else values
            place = probe.enclosure or probe.room or "no enclosure"
            steps.append(Step(f"read {probe.name} ({place}) at {looked.where}", said, well=not looked.trouble))
    return steps


def _open(config: BusConfig, bus: Bus) -> Step:
    device = f"/dev/i2c-{config.number}" if config.kind == "linux" else f"{config.kind} {config.number}"
    tried = f"open bus {config.name} ({device})"
    try:
        with bus.session(bus.port()):
            silent = [m.address for m in config.multiplexers if not bus.link.ask(m.address)]
    except DriverError as error:
        found = diagnose_bus(bus, error)
        return Step(tried, f"{found.text}: {found.advice}" if found else f"{error}: {advised(error)[0]}", well=False)
    if silent:
        there = ", ".join(f"{address:#04x}" for address in silent)
        return Step(
            tried, f"multiplexer {there} does not answer: check its supply and wires, and its pins A0 to A2", well=False
        )
    answering = ", ".join(f"{m.address:#04x}" for m in config.multiplexers)
    return Step(tried, f"opened; multiplexer {answering} answers" if answering else "opened")


def _tried(name: str, step: Callable[[], None]) -> Step:
    try:
        step()
    except Exception as error:  # noqa: BLE001  whatever it is, this installation must not be switched to
        return Step(name, str(error), well=False)
    return Step(name, "in order")


def _import_all() -> None:
    for name in _NEEDED:
        importlib.import_module(name)


def _one_poll() -> None:
    config: Config = parse(sample().encode(), Path("sample"))
    judge = Judge()
    now = int(SystemClock().wall())
    settings = judge_settings(config, now)
    judge.feed(settings)
    reading = Reading(now, config.probe[0].name, 30.0, 65.0, 28086, 42598)  # and their words of an SHT3x
    verdict = judge.feed(reading)
    with tempfile.TemporaryDirectory(prefix="dewkeeper-selftest-") as folder:
        store = Store.open(Path(folder), config.storage, SystemClock())
        try:
            store.commit(Batch(readings=((reading, verdict.quality[0]),), items=(settings,), events=verdict.events))
        finally:
            store.close()
        history = History.open(Path(folder))
        try:
            if not history.latest():
                raise RuntimeError("a stored reading was not found again")
        finally:
            history.close()
