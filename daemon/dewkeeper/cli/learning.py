"""What `dewkeeper learn` does: the learning pass over the database, handed to the daemon enclosure by enclosure.

The daemon starts the same command every night; numpy is loaded here and never there.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from dewkeeper.cli.output import DONE, NOT_WELL, Arguments, complain, emit, emit_json, known_enclosure
from dewkeeper.errors import CommandRefused, DaemonDown
from dewkeeper.interchange import format_time
from dewkeeper.judge.types import Calibration, Fact, room_place
from dewkeeper.report.ahead import changed_words
from dewkeeper.report.wording import Wording
from dewkeeper.service.client import request
from dewkeeper.store import History
from dewkeeper_config.models import Config

if TYPE_CHECKING:
    from dewkeeper.insight.changed import Finding
    from dewkeeper.insight.learning import Lesson, WasRead
    from dewkeeper.insight.series import Series

# A day's rows at a time are packed into arrays: as Python's tuples six weeks take many times the memory.
_PART_SECONDS = 86400
# It shares the processor with the sampler, and nobody waits for it.
_NICE = 19


def learn(args: Arguments) -> int:
    """Learn from the database and hand in what was found; exit 1 when something was missing or not taken."""
    try:
        from dewkeeper.insight.changed import as_text
        from dewkeeper.insight.facts import VERSION
        from dewkeeper.insight.learning import news
    except ModuleNotFoundError as error:
        complain(f"{error.name} is not installed; learning needs it, nothing else does: pip install {error.name}")
        return NOT_WELL
    config = args.load_config()
    if not known_enclosure(config, args.enclosure):
        return NOT_WELL
    _be_nice()
    at = args.at or int(time.time())
    code = DONE
    told: list[dict[str, Any]] = []
    with History.open(config.storage.folder) as history:
        known = history.learned(at)
        tubs, rooms = _lessons(history, config, args.enclosure, at)
        orders: dict[str, tuple[tuple[Fact, ...], dict[str, str]]] = {}
        for name, (lesson, findings) in tubs.items():
            texts = {
                "outlook": lesson.outlook.text(), "changed": as_text(findings), "compared": lesson.compared.text(),
            }  # fmt: skip
            orders[name] = lesson.facts, texts
            told += [_row(name, fact) for fact in lesson.facts] + [_outlook_row(name, lesson)]
            told += [_finding_row(name, finding, config) for finding in findings]
        for place, fact in rooms.items():
            orders[place] = (fact,), {}
            told.append(_row(place, fact))
        for place, (facts, texts) in orders.items():
            order: dict[str, Any] = {"do": "learned", "enclosure": place, **texts}
            # Facts go into the stream, which is kept for good; figures are notes, of which only the newest is.
            if news(facts, known.get(place), at):
                order |= {"facts": [asdict(fact) for fact in facts], "version": VERSION}
            try:
                request(config.storage.folder, order)
            # The others are handed in all the same.
            except (DaemonDown, CommandRefused) as error:
                complain(f"{place}: learned, but not handed in: {error}")
                code = NOT_WELL
    if args.format == "json":
        emit_json(told)
    else:
        emit(args, told, {"enclosure": "enclosure", "quantity": "quantity", "said": "learned"})
    return code


def _be_nice() -> None:
    with contextlib.suppress(OSError):  # a sandbox may forbid it
        os.nice(_NICE)


def _lessons(
    history: History, config: Config, only: str | None, at: int
) -> tuple[Mapping[str, tuple[Lesson, list[Finding]]], Mapping[str, Fact]]:
    """Return what is learned of every enclosure (or one) that has a judged probe, and what its changes did; and of rooms."""
    from dewkeeper.insight.changed import CHANGED, carried, from_text
    from dewkeeper.insight.learning import findings, lessons

    read, calibrations, told = _was_read(history, config, at), history.calibrations(), history.figures(CHANGED)
    calibrated = {
        name: [one.time for probe in pair for one in calibrations.of(probe)] for name, pair in _pairs(config).items()
    }
    found = {}
    tubs, rooms = lessons(read, at, only)
    for name, own in tubs.items():
        # Those left alone in the same room are the controls a change is held against.
        beside = {other: tub for other, tub in read.tubs.items() if read.room_of.get(other) == read.room_of.get(name)}
        changes = findings(name, beside, read.room(name), read.deeds, at, calibrated)
        found[name] = own, carried(changes, from_text(told.get(name, "")), at)
    room_of = {probe.name: probe.room or "" for probe in config.probe}
    return found, {room_place(room_of[probe]): fact for probe, fact in rooms.items()}


def _was_read(history: History, config: Config, at: int) -> WasRead:
    """Return what the database has for a pass at a time."""
    from dewkeeper.insight.compared import COMPARED, Compared
    from dewkeeper.insight.hours import Deed
    from dewkeeper.insight.learning import WasRead, first_read
    from dewkeeper.insight.response import LEARNING_DAYS
    from dewkeeper.insight.series import Gathering

    probe_of, room_of = _judged(config), _rooms(config)
    beside: dict[str, dict[str, str]] = {}
    for placed_probe in config.probe:
        if placed_probe.enclosure and placed_probe.role not in ("substrate", "room"):
            beside.setdefault(placed_probe.enclosure, {}).setdefault(placed_probe.role, placed_probe.name)
    seconds = (name for own in beside.values() for name in own.values())
    gathered = {name: Gathering() for name in {*probe_of.values(), *room_of.values(), *seconds}}
    in_force = history.in_force()
    deeds: dict[str | None, list[Deed]] = {}
    for entry in history.journal(at - 2 * LEARNING_DAYS * 86400):
        deeds.setdefault(entry.enclosure, []).append(Deed(entry.time, entry.what, entry.detail))
    done = {e.name: sorted([*deeds.get(e.name, []), *deeds.get(None, [])]) for e in config.enclosure}
    first = first_read(done, at)
    for begin in range(first, at, _PART_SECONDS):
        for probe, rows in history.believed(begin, min(begin + _PART_SECONDS, at)).items():
            gathering = gathered.get(probe)
            if gathering is not None:
                for second, warm, humidity in rows:
                    if warm is not None and humidity is not None:
                        gathering.add(second, warm, humidity)
    series = {name: gathering.series() for name, gathering in gathered.items()}
    tubs: dict[str, Series] = {}
    for enclosure in config.enclosure:
        judged = probe_of.get(enclosure.name)
        if judged is not None:
            windows = in_force.windows(enclosure.name, first, at)
            placed = [w.start for w in windows if w.probes and w.probes[0] == judged]
            # What the probe read before it lay in this tub is the air of another place.
            tubs[enclosure.name] = series[judged].since(placed[0]) if placed else series[judged]
    calibrations, pairs = history.calibrations(), _pairs(config)
    in_use = {name: [calibrations.at(probe, at) for probe in pairs[name]] for name in tubs}
    return WasRead(
        tubs, {name: series[name] for name in room_of.values()}, room_of, done,
        {name: Compared.from_text(text) for name, text in history.figures(COMPARED).items()},
        {name: max([0, *(c.time for c in own if c is not None)]) for name, own in in_use.items()},
        {name: tuple(v for c in own for v in _correction(c)) for name, own in in_use.items()},
        {name: {role: series[probe] for role, probe in own.items()} for name, own in beside.items()},
    )  # fmt: skip


def _judged(config: Config) -> dict[str, str]:
    """Return enclosure -> its first judged probe."""
    # Of several judged probes the first is to be the one, and in a dict the last wins.
    probes = reversed(config.probe)
    return {probe.enclosure: probe.name for probe in probes if probe.role == "substrate" and probe.enclosure}


def _rooms(config: Config) -> dict[str, str]:
    """Return enclosure -> the probe of its room, where there is one."""
    rooms = {probe.room: probe.name for probe in config.probe if probe.role == "room" and probe.room}
    room_of_rack = {rack.name: rooms.get(rack.room) for rack in config.rack}
    return {e.name: room for e in config.enclosure if (room := room_of_rack[e.rack]) is not None}


def _pairs(config: Config) -> dict[str, list[str]]:
    """Return enclosure -> its judged probe, and its room's where there is one."""
    rooms = _rooms(config)
    return {name: [probe, *([rooms[name]] if name in rooms else [])] for name, probe in _judged(config).items()}


def _correction(calibration: Calibration | None) -> tuple[float, float, float]:
    if calibration is None:
        return (0.0, 0.0, 1.0)
    return (calibration.temperature_offset_c, calibration.humidity_offset_percent, calibration.humidity_gain)


def _row(name: str, fact: Fact) -> dict[str, Any]:
    said = f"withheld: {fact.why}"
    if fact.value is not None:
        around = "" if fact.low is None else f" ({fact.low:g} to {fact.high:g})"
        said = f"{fact.value:g}{around} {fact.unit}".rstrip()
    return {
        "enclosure": name, "quantity": fact.quantity, "said": said, "value": fact.value, "low": fact.low, "high": fact.high,
        "unit": fact.unit, "decays": fact.decays, "days": fact.days, "why": fact.why,
        "until": format_time(fact.until) if fact.until else None,
    }  # fmt: skip


def _finding_row(name: str, finding: Finding, config: Config) -> dict[str, Any]:
    said = changed_words(finding, Wording.of(config.site))
    told = asdict(finding)
    told.pop("days")  # those of the picture
    return {"enclosure": name, "quantity": "a change", "said": said, **told}


def _outlook_row(name: str, lesson: Lesson) -> dict[str, Any]:
    figures = lesson.outlook
    said = f"withheld: {figures.why}"
    if not figures.why:
        said = (
            f"misses {figures.skill:.0%} less than the best plain guess, 12 h ahead ({figures.origins} past forecasts)"
        )
    return {"enclosure": name, "quantity": "hours ahead", "said": said, "skill": figures.skill, "why": figures.why}
