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
from dewkeeper.judge.types import Fact
from dewkeeper.service.client import request
from dewkeeper.store import History
from dewkeeper_config.models import Config

if TYPE_CHECKING:
    from dewkeeper.insight.learning import Lesson

_PART_SECONDS = 86400
_NICE = 19


def learn(args: Arguments) -> int:
    """Learn from the database and hand in what was found; exit 1 when something was missing or not taken."""
    try:
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
        for name, lesson in _lessons(history, config, args.enclosure, at).items():
            order: dict[str, Any] = {"do": "learned", "enclosure": name, "outlook": lesson.outlook.text()}
            if news(lesson.facts, known.get(name), at):
                order |= {"facts": [asdict(fact) for fact in lesson.facts], "version": VERSION}
            try:
                request(config.storage.folder, order)
            except (DaemonDown, CommandRefused) as error:
                complain(f"{name}: learned, but not handed in: {error}")
                code = NOT_WELL
            told += [_row(name, fact) for fact in lesson.facts] + [_outlook_row(name, lesson)]
    if args.format == "json":
        emit_json(told)
    else:
        emit(args, told, {"enclosure": "enclosure", "quantity": "quantity", "said": "learned"})
    return code


def _be_nice() -> None:
    with contextlib.suppress(OSError):  # a sandbox may forbid it
        os.nice(_NICE)


def _lessons(history: History, config: Config, only: str | None, at: int) -> Mapping[str, Lesson]:
    """Return what is learned of every enclosure (or one) that has a judged probe."""
    from dewkeeper.insight.hours import Deed
    from dewkeeper.insight.learning import lesson
    from dewkeeper.insight.response import LEARNING_DAYS
    from dewkeeper.insight.series import Gathering

    start = at - LEARNING_DAYS * 86400
    probe_of = {
        probe.enclosure: probe.name
        for probe in reversed(config.probe)
        if probe.role == "substrate" and probe.enclosure and only in (None, probe.enclosure)
    }
    rooms = {probe.room: probe.name for probe in config.probe if probe.role == "room" and probe.room}
    room_of = {rack.name: rooms.get(rack.room) for rack in config.rack}
    gathered = {name: Gathering() for name in {*probe_of.values(), *rooms.values()}}
    in_force = history.in_force()
    for begin in range(start, at, _PART_SECONDS):
        for probe, rows in history.believed(begin, min(begin + _PART_SECONDS, at)).items():
            gathering = gathered.get(probe)
            if gathering is not None:
                for second, warm, humidity in rows:
                    if warm is not None and humidity is not None:
                        gathering.add(second, warm, humidity)
    series = {name: gathering.series() for name, gathering in gathered.items()}
    deeds: dict[str | None, list[Deed]] = {}
    for entry in history.journal(start):
        deeds.setdefault(entry.enclosure, []).append(Deed(entry.time, entry.what))
    found = {}
    for enclosure in config.enclosure:
        judged = probe_of.get(enclosure.name)
        if judged is None:
            continue
        placed = [w.start for w in in_force.windows(enclosure.name, start, at) if w.probes and w.probes[0] == judged]
        tub = series[judged].since(placed[0]) if placed else series[judged]
        room = room_of.get(enclosure.rack)
        done = sorted([*deeds.get(enclosure.name, []), *deeds.get(None, [])])
        found[enclosure.name] = lesson(tub, series[room] if room else None, done, at)
    return found


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


def _outlook_row(name: str, lesson: Lesson) -> dict[str, Any]:
    figures = lesson.outlook
    said = f"withheld: {figures.why}"
    if not figures.why:
        said = (
            f"misses {figures.skill:.0%} less than the best plain guess, 12 h ahead ({figures.origins} past forecasts)"
        )
    return {"enclosure": name, "quantity": "hours ahead", "said": said, "skill": figures.skill, "why": figures.why}
