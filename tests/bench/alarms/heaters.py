"""Measure what the judge makes of heaters: `python tests/bench/alarms/heaters.py --seeds 101-109 --jobs 2`.

Seeds 1-99 are for tuning, 101-199 for judging: what is reported was measured on seeds nobody tuned on. Simulated, no field
results. Exit code 0 when every goal is met, 1 when one is missed.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

sys.path.insert(0, str(Path(__file__).parents[3]))  # run as a program, the repository is not on the path

from tests.bench.alarms.bench_air import humidity_percent
from tests.bench.alarms.bench_heater import SCENES, Case, Scene, Trouble, air_of, draw

from dewkeeper.insight import LEARN_AT
from dewkeeper.insight.pupil import Pupil
from dewkeeper.judge import Judge
from dewkeeper.judge.types import EnclosureFacts, Event, ProbeFacts, Reading, Settings
from dewkeeper.notify.grouping import Where, tellings
from dewkeeper.notify.planner_state import Known, Memory
from dewkeeper.slots import Daily
from dewkeeper_config.profiles import BUILT_IN

START = 1_736_121_600  # Monday, 6 January 2025, 00:00 UTC
DANGER_C = 38.0
HOT_C, COLD_C = 34.0, 24.0
"""What the built-in profile of an adult tolerates."""
LEAD_MINUTES = 10
OVER_MINUTES = 75
"""An hour or so: a heavy tub takes that long to warm up again."""
_ABOUT_HEAT = ("heat_stuck_on", "heat_lost")
_WARMING_UP_MINUTES = 6 * 60


@dataclass(slots=True)
class Measured:
    """What came of one case."""

    tub_years: float
    counts: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)
    leads: list[float] = field(default_factory=list)


def judge_case(case: Case, *, taught: bool = False) -> tuple[list[Event], dict[str, list[float]]]:
    """Return all events of a case and the temperatures of its tubs, °C, every minute. taught: with what a nightly pass learns meanwhile."""
    limits = BUILT_IN["adult"].limits
    names = [heater.name for heater in case.heaters]
    probes = {name: ProbeFacts(name, "substrate", name, "room", "i2c1", "i2c1") for name in names}
    if case.room_probe:
        probes["air"] = ProbeFacts("air", "room", None, "room", "i2c1", "i2c1")
    enclosures = {name: EnclosureFacts(name, "rack", "room", limits) for name in names}
    judge, settings = Judge(), Settings(START - 60, 60, enclosures, probes)
    judge.feed(settings)
    pupil = Pupil(settings, [], Daily(LEARN_AT, ZoneInfo("UTC")))
    chance = Random(f"air/{case.scene}/{case.seed}")
    series = {heater.name: air_of(heater, case, chance) for heater in case.heaters}
    events: list[Event] = []

    def take(at: int, probe: str, t: float, h: float) -> None:
        verdict = judge.feed(Reading(at, probe, t, h))
        events.extend(verdict.events)
        if taught:
            pupil.take(at, probe, t, h, verdict.quality[0].flag)
            pupil.take_away(verdict.exclusions)

    for minute in range(case.days * 1440):
        at = START + 60 * minute
        for learned in pupil.learned(at):
            events += judge.feed(learned).events
        if case.room_probe:
            t = case.room_c[minute] + chance.gauss(0, 0.02)
            take(at, "air", t, humidity_percent(case.room_hpa[minute], t))
        for name, (warm, wet) in series.items():
            take(at, name, warm[minute], wet[minute])
    return events, {name: list(warm) for name, (warm, _) in series.items()}


def measure(job: tuple[Scene, int, bool], *, taught: bool = True) -> Measured:
    """Run one case and hold what was told against what happened."""
    scene, seed, room_probe = job
    case = draw(scene, seed, room_probe=room_probe)
    events, warm = judge_case(case, taught=taught)
    found = Measured(case.tub_years)
    told = [e for e in events if e.kind in _ABOUT_HEAT and e.event in ("raised", "cleared")]
    where = f"{scene}/{seed}/{'room' if room_probe else 'no room'}"
    broken = case.broken()
    for e in told:
        minute = (e.time - START) // 60
        span = broken.get(e.enclosure or "")
        about = span is not None and span.start <= minute < span.end + _WARMING_UP_MINUTES
        right = "heat_stuck_on" if scene == "stuck on" else "heat_lost"
        if e.event == "raised" and not (about and e.kind == right):
            found.counts[f"false {e.kind}"] += 1
            found.notes.append(f"false: {where} {e.enclosure} {e.kind} minute {minute}, {span}, {e.value}")
        if e.event == "cleared" and e.kind == "heat_stuck_on" and e.enclosure is not None:
            now_c = warm[e.enclosure][minute]
            later = max(warm[e.enclosure][minute : minute + 60])
            if now_c > 34.0 or (span is not None and span.start <= minute < span.end):
                found.counts["cleared while hot"] += 1
                found.notes.append(
                    f"cleared while hot: {where} {e.enclosure} minute {minute} at {now_c:.1f}, then {later:.1f}, {span}"
                )
    for name, span in broken.items():
        mine = [e for e in events if e.enclosure == name and e.time >= START + 60 * span.start]
        if span.what == "stuck":
            _stuck(name, span, mine, warm[name], found, where)
        else:
            _off(name, span, [e for e in mine if e.kind == "heat_lost"], warm[name], found, where)
    _waves(case, events, warm, found, where)
    if scene == "power cut":
        _messages(case, told, found, where)
    return found


def _minute(event: Event) -> float:
    return (event.time - START) / 60


def _stuck(name: str, span: Trouble, events: list[Event], warm: list[float], found: Measured, where: str) -> None:
    hot_at = next((m for m in range(span.start, len(warm)) if warm[m] > DANGER_C), None)
    if hot_at is None or hot_at >= span.end:
        found.counts["stuck, never dangerous"] += 1
        return
    found.counts["stuck"] += 1
    raised = [_minute(e) for e in events if e.event == "raised" and e.kind == "heat_stuck_on"]
    by_any = [_minute(e) for e in events if e.event == "raised" and e.kind in ("hot", "heat_stuck_on")]
    lead = hot_at - min(raised, default=1e9)
    found.leads.append(lead)
    found.counts["stuck, warned in time"] += lead >= LEAD_MINUTES
    found.counts["stuck, warned in time by any name"] += hot_at - min(by_any, default=1e9) >= LEAD_MINUTES
    if lead < LEAD_MINUTES:
        found.notes.append(f"late: {where} {name} {span}, danger after {hot_at - span.start}, told {raised}")
    cleared = [
        _minute(e) for e in events if e.event == "cleared" and e.kind == "heat_stuck_on" and _minute(e) > span.end
    ]
    found.counts["stuck, mended"] += bool(raised)
    found.counts["stuck, mended, over"] += bool(raised) and bool(cleared)
    if raised and not cleared:
        found.notes.append(f"stands for ever: {where} {name} {span}")


def _off(name: str, span: Trouble, events: list[Event], warm: list[float], found: Measured, where: str) -> None:
    found.counts["off"] += 1
    cold_at = next((m for m in range(span.start, span.end) if warm[m] < COLD_C), None)
    if cold_at is not None:
        found.counts["off, cold"] += 1
        in_time = bool(events) and _minute(events[0]) <= cold_at
        found.counts["off, told before cold"] += in_time
        if not in_time:
            found.notes.append(
                f"after it was cold: {where} {name} {span} cold after {cold_at - span.start}, told {[_minute(e) - span.start for e in events[:1]]}"
            )
    if not events:
        found.counts["off, never told"] += 1
        found.notes.append(f"never told: {where} {name} {span} for {span.end - span.start}")
        return
    found.counts["off, told"] += 1
    found.leads.append(_minute(events[0]) - span.start)
    cleared = [_minute(e) for e in events if e.event == "cleared"]
    late = min((at for at in cleared if at > span.end), default=1e9) - span.end
    if any(at <= span.end for at in cleared):
        found.counts["over before the mend"] += 1
        found.notes.append(f"over too soon: {where} {name} at {min(cleared):.0f}, {span}")
    elif _minute(events[0]) < span.end:
        found.counts["mended"] += 1
        found.counts["mended, over in time"] += late <= OVER_MINUTES
        if late > OVER_MINUTES:
            found.notes.append(f"stands: {where} {name} {late:.0f} min after the mend, {span}")


def _waves(case: Case, events: list[Event], warm: dict[str, list[float]], found: Measured, where: str) -> None:
    """Hold what was told of the room's warming against the first hour of each day at which a tub was too hot that no heater made so."""
    told = [int(_minute(e)) for e in events if e.kind == "room_heat_soon" and e.event == "raised"]
    broken = case.broken()
    hot = [m for m in range(case.days * 1440) if any(w[m] > HOT_C for n, w in warm.items() if n not in broken)]
    days = sorted({m // 1440: m for m in reversed(hot)}.items())
    for _, first in days if case.room_probe and case.scene == "heat wave" else []:
        if any(first - 180 <= m < first for m in hot):
            continue  # it was hot all night: no day of its own
        found.counts["hot days"] += 1
        before = [first - m for m in told if 0 < first - m <= 14 * 60]
        found.counts["hot days, told 2 h ahead"] += max(before, default=0) >= 120
        if max(before, default=0) < 120:
            found.notes.append(f"heat not foreseen: {where} minute {first}, told {before} before")
    for m in told:
        near = any(m <= h <= m + 14 * 60 for h in hot)
        room = max(case.room_c[m : m + 14 * 60])
        found.counts["room warming, told"] += 1
        if not near:
            found.counts["false room_heat_soon"] += 1
            found.notes.append(
                f"false: {where} room_heat_soon minute {m}, room {case.room_c[m]:.1f}, then {room:.1f}, tubs {max(max(w[m : m + 840]) for w in warm.values()):.1f}"
            )


def _messages(case: Case, told: list[Event], found: Measured, where: str) -> None:
    """Count what the raised events are told as: groups and single messages."""
    memory = Memory()
    places = Where({h.name: ("rack", "room") for h in case.heaters}, {})
    groups: set[str] = set()
    messages: set[tuple[str, int]] = set()
    raised = [e for e in told if e.event == "raised" and e.kind == "heat_lost"]
    for time in sorted({e.time for e in raised}):
        for telling in tellings([e for e in raised if e.time == time], memory, places, time):
            for alarm in telling.alarms:  # as the planner notes them: whoever is told of, stands
                memory.alarms[alarm] = Known(time, time, time, group=telling.group)
            groups.add(telling.gather or telling.event)
            messages.add((telling.gather or telling.event, time + telling.hold_seconds))
    if raised:
        found.counts["cuts told"] += 1
        found.counts["cuts, one cause"] += len(groups) == 1
        found.counts["cuts, messages"] += len(messages)
        if len(messages) > 1:
            found.notes.append(
                f"{len(messages)} messages: {where} {[(e.enclosure, (e.time - START) // 60) for e in raised]}"
            )


def seeds_of(text: str) -> list[int]:
    """Return the seeds of `first-last`."""
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def main() -> int:
    """Run the suite and print what came of it."""
    parser = argparse.ArgumentParser(description="Measure the judge on simulated heaters.")
    parser.add_argument("--seeds", default="101-109", help="first-last; 1-99 for tuning, 101-199 for judging")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--scene", choices=SCENES)
    parser.add_argument("--untaught", action="store_true", help="the judge alone, without learned facts")
    parser.add_argument("--cases", type=int, default=40)
    args = parser.parse_args()
    scenes = [args.scene] if args.scene else list(SCENES)
    if args.untaught:
        sys.stdout.write("nothing is learned\n")
    jobs = [(scene, seed, room) for seed in seeds_of(args.seeds) for scene in scenes for room in (True, False)]
    with ProcessPoolExecutor(args.jobs) as pool:
        results = list(zip(jobs, pool.map(partial(measure, taught=not args.untaught), jobs), strict=True))
    met = True
    for label, rooms in (("all", (True, False)), ("with a room probe", (True,)), ("without", (False,))):
        counts: Counter[str] = Counter()
        chosen = [found for job, found in results if job[2] in rooms]
        for found in chosen:
            counts.update(found.counts)
        reached = report(label, counts, sum(found.tub_years for found in chosen))
        met = met and (reached or label != "all")
    for scene in ("stuck on", "stuck off", "power cut"):
        leads = sorted(lead for job, found in results if job[0] == scene for lead in found.leads if abs(lead) < 1e8)
        if leads:
            sys.stdout.write(
                f"- {scene}: median {leads[len(leads) // 2]:.0f} min, from {leads[0]:.0f} to {leads[-1]:.0f}\n"
            )
    for note in [note for _, found in results for note in found.notes][: args.cases]:
        sys.stdout.write(f"  {note}\n")
    return 0 if met else 1


def report(label: str, c: Counter[str], years: float) -> bool:
    """Print one line of counts; return whether the goals are met."""
    false = c["false heat_stuck_on"] + c["false heat_lost"]
    sys.stdout.write(
        f"{label}: {years:.2f} simulated tub-years; stuck on warned {LEAD_MINUTES} min before {DANGER_C:.0f} °C "
        f"{c['stuck, warned in time']}/{c['stuck']} (by any name {c['stuck, warned in time by any name']}); "
        f"false {false} ({false / max(years, 0.01):.2f} a tub-year); cleared while hot {c['cleared while hot']}; "
        f"off told {c['off, told']}/{c['off']}, before it is too cold {c['off, told before cold']}/{c['off, cold']}, over within {OVER_MINUTES} min of the mend "
        f"{c['mended, over in time']}/{c['mended']}, over before it {c['over before the mend']}; "
        f"cuts told as one "
        f"{c['cuts, one cause']}/{c['cuts told']}, messages {c['cuts, messages']}; "
        f"hot days foreseen 2 h ahead {c['hot days, told 2 h ahead']}/{c['hot days']}, room said to warm {c['room warming, told']} "
        f"times, wrong {c['false room_heat_soon']}\n"
    )  # fmt: skip
    return (
        c["stuck, warned in time"] >= 0.8 * c["stuck"] and false <= years and c["cleared while hot"] == 0
        and c["mended, over in time"] == c["mended"] and c["cuts, one cause"] == c["cuts told"]
    )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
