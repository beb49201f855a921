"""Build a rack from its plan, feed it to the judge and to the baselines, and keep what they told."""

from __future__ import annotations

import time
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from tests.bench.alarms import bench_probe as wires
from tests.bench.alarms.bench_air import DAY, humidity_percent, room_air
from tests.bench.alarms.bench_baselines import HOLD_MINUTES, Threshold, Told
from tests.bench.alarms.bench_loop import Air, lagged
from tests.bench.alarms.bench_plan import RackPlan
from tests.bench.alarms.bench_planted import planted_air, window_room
from tests.bench.alarms.bench_probe import Wire, read_probe, spoil
from tests.bench.alarms.bench_score import Scorer, Tally
from tests.bench.alarms.bench_shell import shell_air
from tests.bench.alarms.bench_truth import Truth
from tests.bench.alarms.bench_tub import tub_air

from dewkeeper.judge import Judge
from dewkeeper.judge.limit_alarm import CYCLE_COST_SECONDS
from dewkeeper.judge.types import (
    Command,
    EnclosureFacts,
    Event,
    Failure,
    Item,
    JournalEntry,
    ProbeFacts,
    Reading,
    Settings,
)
from dewkeeper_config.profiles import BUILT_IN

START = 1_736_121_600  # Monday, 6 January 2025, 00:00 UTC
CHUNK_MINUTES = 120
CYCLE_COST_MINUTES = CYCLE_COST_SECONDS / 60
"""What the judge's documentation asks for finding an excursion that a thermostat carries across the limit."""

_FAILURES: dict[int, Failure] = {
    wires.EMPTY: "missing", wires.CRC: "crc", wires.BROWNOUT: "brownout", wires.BUS: "bus",
}  # fmt: skip
_NOTES = {
    bits: tuple(
        name
        for bit, name in (
            (wires.HEATER_ON, "heater_on"),
            (wires.RESET_SEEN, "reset_seen"),
            (wires.CRC_BURST, "crc_burst"),
        )
        if bits & bit
    )
    for bits in range(8)
}


_PHYSICS = {"tub": (room_air, tub_air), "shell": (room_air, shell_air), "planted": (window_room, planted_air)}


@dataclass(slots=True)
class Rack:
    """A rack with everything it will give: wires by probe name, the room's wire among them, and the truth by tub.

    room: its air as an ideal probe of the room's offset reads it; like a tub's, no judge can see through that.
    """

    plan: RackPlan
    settings: Settings
    wires: dict[str, Wire]
    truths: dict[str, Truth]
    room: Air


@dataclass(slots=True)
class Run:
    """What one rack came to. Seconds are processor time spent in the judge alone."""

    name: str
    tub_years: float
    readings: int
    judge_seconds: float
    good_readings: int
    good_counted: int
    rubbish: int
    rubbish_counted: int
    tallies: dict[str, Tally]


def build(plan: RackPlan) -> Rack:
    """Simulate the room, the tubs and the probes of a plan."""
    minutes = plan.days * DAY
    chance = Random(f"air/{plan.name}/{plan.seed}")
    outside, air = _PHYSICS[plan.physics]
    room_c, room_hpa = outside(plan.room, minutes, chance)
    room_percent = array("d", [humidity_percent(e, t) for e, t in zip(room_hpa, room_c, strict=True)])
    room = lagged(room_c, room_percent, 60)
    healthy = {
        i: read_probe(air(tub, room_c, room_hpa, chance), tub.offset_c, tub.offset_percent, chance, tub.noise)
        for i, tub in enumerate(plan.tubs)
    }
    delivered = bytearray(b"\x01" * minutes)
    for start, end in plan.gaps:
        delivered[start:end] = bytes(min(end, minutes) - start)
    found = {"room": read_probe(room, chance.uniform(-0.3, 0.3), chance.uniform(-2, 2), chance)}
    truths = {}
    for i, tub in enumerate(plan.tubs):
        spoil(healthy[i], tub, healthy, room, chance)
        found[tub.name] = healthy[i]
    for tub in plan.tubs:
        limits = BUILT_IN[tub.profile].limits
        truths[tub.name] = Truth(tub, found[tub.name], delivered, limits, CYCLE_COST_MINUTES)
    ideal = Air(found["room"].ideal_c, found["room"].ideal_percent)
    return Rack(plan, _settings(plan), found, truths, ideal)


def _settings(plan: RackPlan) -> Settings:
    enclosures = {
        tub.name: EnclosureFacts(
            tub.name, plan.name, "room", BUILT_IN[tub.profile].limits, tub.profile,
            open_water=tub.profile != "egg_box", egg_box=tub.profile == "egg_box",
        )
        for tub in plan.tubs
    }  # fmt: skip
    probes = {"room": ProbeFacts("room", "room", room="room", bus="i2c1", branch="i2c1 room", rounded=plan.rounded)}
    for i, tub in enumerate(plan.tubs):
        branch = f"i2c1 multiplexer 0x{0x70 + i // 8:02x} channel {i % 8}"
        probes[tub.name] = ProbeFacts(tub.name, "substrate", tub.name, "room", "i2c1", branch, plan.rounded)
    stages = {name: profile.limits for name, profile in BUILT_IN.items()}
    return Settings(START - 60, 60, enclosures, probes, stages)


def reading_at(rack: Rack, probe: str, minute: int, offset_seconds: int = 0) -> Reading:
    """Return what this probe's poll of this minute gave."""
    wire = rack.wires[probe]
    at = START + 60 * minute + offset_seconds
    state = wire.state[minute]
    notes = _NOTES[wire.notes[minute]]
    if state != wires.READ:
        return Reading(at, probe, None, None, failure=_FAILURES[state], notes=notes)
    t, h = wire.temperature_word[minute], wire.humidity_word[minute]
    celsius, percent = -45 + 175 * t / 65535, 100 * h / 65535
    if rack.plan.rounded:
        return Reading(at, probe, round(celsius, 1), round(percent, 1), notes=notes)
    return Reading(at, probe, celsius, percent, t, h, notes=notes)


def chunks(rack: Rack) -> Iterator[tuple[int, list[Item]]]:
    """Yield (last minute, items in arrival order), two hours of the rack at a time.

    Some rows come twice and some a poll late, as after a retried import.
    """
    plan = rack.plan
    chance = Random(f"stream/{plan.name}/{plan.seed}")
    names = list(rack.wires)
    journal = sorted(
        ((h.start, tub.name, h) for tub in plan.tubs for h in tub.happenings if h.word), key=lambda row: row[:2]
    )
    at, held = 0, None
    minutes = plan.days * DAY
    for first in range(0, minutes, CHUNK_MINUTES):
        items: list[Item] = []
        for minute in range(first, min(first + CHUNK_MINUTES, minutes)):
            while at < len(journal) and journal[at][0] <= minute:
                start, tub, h = journal[at]
                items.append(JournalEntry(f"{tub}/{start}", START + 60 * start, tub, h.word or ""))
                at += 1
            if any(a <= minute < b for a, b in plan.gaps):
                continue
            for n, name in enumerate(names):
                reading = reading_at(rack, name, minute, n // 8)
                dice = chance.random()
                if dice < 0.0003 and held is None:
                    held = reading
                    continue
                items.append(reading)
                if dice > 0.9997:
                    items.append(reading)
            if held is not None and held.time < START + 60 * minute:
                items.append(held)
                held = None
        yield min(first + CHUNK_MINUTES, minutes) - 1, items


def told_of(event: Event) -> Told:
    """Return the scorer's form of a judge's event."""
    minute = max(0, (event.time - START) // 60)
    doubt = str(event.detail.get("doubt", ""))
    return Told(
        minute, event.event, event.kind, event.enclosure, event.probe, event.band, event.priority, event.alarm, doubt
    )


def run(plan: RackPlan) -> Run:
    """Build a rack, judge it three ways and score each. The keeper acknowledges within two hours."""
    rack = build(plan)
    limits = {tub.name: BUILT_IN[tub.profile].limits for tub in plan.tubs}
    bare = {name: Threshold(name, limit, 0) for name, limit in limits.items()}
    hold = {name: Threshold(name, limit, HOLD_MINUTES) for name, limit in limits.items()}
    judge = Judge()
    judge.feed(rack.settings)
    told: list[Told] = []
    readings = good = counted = rubbish = rubbish_counted = 0
    spent = 0.0
    words = {name: set(rack.wires[name].rubbish) for name in limits}
    acknowledge: list[str] = []
    for last, items in chunks(rack):
        now = START + 60 * (last - CHUNK_MINUTES + 1)
        orders: list[Item] = [Command(f"a{alarm}", now, "acknowledge", "keeper", alarm=alarm) for alarm in acknowledge]
        items = orders + items
        began = time.process_time()
        verdicts = [judge.feed(item) for item in items]
        spent += time.process_time() - began
        acknowledge = []
        for item, verdict in zip(items, verdicts, strict=True):
            for event in verdict.events:
                told.append(told_of(event))
                if event.event == "raised":
                    acknowledge.append(event.alarm)
            if not isinstance(item, Reading):
                continue
            readings += 1
            if item.probe == "room":
                continue
            minute = (item.time - START) // 60
            bare[item.probe].feed(minute, item)
            hold[item.probe].feed(minute, item)
            counts = any(q.counts for q in verdict.quality if q.time == item.time and q.probe == item.probe)
            if rack.truths[item.probe].good[minute]:
                good += 1
                counted += counts
            elif minute in words[item.probe]:
                rubbish += 1
                rubbish_counted += counts
    tallies = {
        "judge": Scorer(plan, rack.truths, rack.room).score(told),
        "bare threshold": Scorer(plan, rack.truths, rack.room).score(_merged(bare)),
        f"hold {HOLD_MINUTES} min": Scorer(plan, rack.truths, rack.room).score(_merged(hold)),
    }
    return Run(
        plan.name, plan.tub_years, readings, spent, good, counted, rubbish, rubbish_counted, tallies
    )  # fmt: skip


def _merged(judges: dict[str, Threshold]) -> list[Told]:
    return sorted((told for judge in judges.values() for told in judge.told), key=lambda t: t.minute)
