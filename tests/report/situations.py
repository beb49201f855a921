"""Mornings of an invented rack, each put together by hand from what the store would give, for golden texts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import FAIL, PASS, Alarm, Event, JournalEntry, Quality, Reading, Settings
from dewkeeper.judge.words import EXCURSIONS, FAULTS, KINDS
from dewkeeper.report.contract import NightSums, Point, Trace
from dewkeeper.report.enclosure import EnclosureReport, Span, journal_mark, span_of
from dewkeeper.report.gaps import Stretch, gaps_of
from dewkeeper.report.model import EnclosureMorning, Gap, Mark, MorningGlance
from dewkeeper.report.morning import MorningFacts, compose
from dewkeeper.report.nights import night_to_show
from dewkeeper.report.off_times import OffTime, OffWhy
from dewkeeper.report.order import ROOMS
from dewkeeper.report.wording import beyond
from dewkeeper.store.history import Stored
from dewkeeper.store.in_force import InForce
from dewkeeper_config.loading import parse
from dewkeeper_config.models import Config
from dewkeeper_config.profiles import effective_limits

ZONE = ZoneInfo("Europe/Vienna")
HOUR = 3600


def rack(count: int, probes: int | None = None, several: bool = False) -> Config:
    """Return a configuration of so many tubs, of which the first `probes` have a judged probe each (None: all).

    several: the first tub stands alone in another rack, in another room.
    """
    lines = ['site = { name = "Attic", timezone = "Europe/Vienna" }', '[[rack]]\nname = "R"\nroom = "attic"']
    lines += ['[[rack]]\nname = "left"\nroom = "cellar"'] if several else []
    for n in range(1, count + 1):
        of = "left" if several and n == 1 else "R"
        lines.append(
            f'[[enclosure]]\nname = "T{n}"\nrack = "{of}"\nshelf = {(n + 19) // 20}\nplace = {(n - 1) % 20 + 1}'
        )
    for n in range(1, (count if probes is None else probes) + 1):
        lines.append(f'[[probe]]\nname = "p{n}"\nenclosure = "T{n}"\ndriver = "simulated"')
    lines.append('[[probe]]\nname = "air"\nroom = "attic"\nrole = "room"\ndriver = "simulated"')
    lines.append('[[channel]]\nkind = "webhook"\nname = "phone"\nurl = "http://127.0.0.1:9/"')
    lines.append('[[person]]\nname = "Ina"\nchannels = ["phone"]')
    return parse("\n".join(lines).encode(), Path("rack.toml"))


@dataclass
class Tub:
    """What one tub's night was and how it is now. ago: seconds since its newest reading; None: it was never read.

    tonight: whether it was there in the night that is told of. deeds: what was written down, hours ago.
    hottest: of a night that was too hot and is so no more. beyond: of one that was outside, hours ago from and to.
    """

    humidity: float = 65.0
    low: float | None = None
    temperature: float = 28.0
    ago: int | None = 30
    believed: bool = True
    unwatched_minutes: float = 0.0
    alarms: Sequence[Mapping[str, Any]] = ()
    resting: bool = False
    stage: str = ""
    tonight: bool = True
    sums: Mapping[str, float] = field(default_factory=dict)
    deeds: Mapping[str, float] = field(default_factory=dict)
    hottest: float | None = None
    beyond: tuple[float, float] | None = None


def alarm(kind: str, hours: float, **more: Any) -> dict[str, Any]:
    """Return an alarm of a tub that began so many hours ago; more: what is unusual about it."""
    return {"kind": kind, "hours": hours, **more}


def morning_of(
    tubs: Mapping[str, Tub],
    when: str = "2026-11-24T06:50",
    probes: int | None = None,
    general: Sequence[Any] = (),
    events: Sequence[Any] = (),
    off: Sequence[tuple[float, float, OffWhy]] = (),
    room: tuple[float, float] | None = None,
    several: bool = False,
) -> tuple[MorningGlance, Config]:
    """Return the glance over tubs T1, T2 ... at a wall time in Vienna, and its configuration.

    off: when dewkeeper was off, hours ago from and to, and why. room: its air of now, °C and %RH. several: as `rack` has it.
    """
    config = rack(len(tubs), probes, several)
    now = int(datetime.fromisoformat(when).replace(tzinfo=ZONE).timestamp())
    night = night_to_show(config.site, now)
    due = min(night.end, now) - night.start
    tonight, latest, alarms = {}, {}, []
    for n, (name, tub) in enumerate(tubs.items(), start=1):
        if tub.ago is not None:
            reading = Reading(now - tub.ago, f"p{n}", tub.temperature, tub.humidity)
            latest[f"p{n}"] = Stored(reading, Quality(reading.time, f"p{n}", PASS if tub.believed else FAIL))
        if tub.ago is not None and tub.tonight:
            low = tub.low if tub.low is not None else min(64.0, tub.humidity)
            last = now - tub.ago
            tonight[name] = NightSums(
                watched_seconds=due - tub.unwatched_minutes * 60,
                humidity_min=Mark(low, last if low >= tub.humidity else min(last - 1800, night.start + 8 * HOUR)),
                humidity_min_temperature_c=30.0,
                humidity_max=Mark(max(66.0, tub.humidity), night.start + HOUR),
                temperature_min=Mark(
                    min(27.5, tub.temperature), last if tub.temperature < 27.5 else min(last, night.start + 9 * HOUR)
                ),
                temperature_max=Mark(
                    tub.hottest or max(29.0, tub.temperature),
                    last
                    if tub.temperature > 29 and not tub.hottest
                    else min(last, night.start + (8 if tub.hottest else 2) * HOUR),
                ),
                **tub.sums,
            )
        alarms += [_alarm(name, f"p{n}", now, **said) for said in tub.alarms]
    for said in general:
        alarms.append(_alarm(None, "air" if said["kind"].startswith("room") else None, now, **said))
    if room is not None:
        reading = Reading(now - 30, "air", *room)
        latest["air"] = Stored(reading, Quality(reading.time, "air", PASS))
    names = list(tubs)
    gathered = MorningFacts(
        tonight=tonight,
        before={},
        latest=latest,
        alarms=alarms,
        events=[_seen(now, **said) for said in events],
        journal=(),
        limits={name: effective_limits(config, name) for name in names},
        off=[OffTime(int(now - first * HOUR), int(now - last * HOUR), why) for first, last, why in off],
        stages={name: tub.stage or "adult" for name, tub in tubs.items()},
        resting=frozenset(name for name, tub in tubs.items() if tub.resting),
        due={name: 0 if tub.resting or tub.ago is None or not tub.tonight else due for name, tub in tubs.items()},
        gaps={
            name: [Gap(night.start + 3 * HOUR, night.start + 3 * HOUR + int(tub.unwatched_minutes * 60), "")]
            for name, tub in tubs.items()
            if tub.unwatched_minutes > 3 and tub.ago is not None and tub.ago < 180 and not off
        },
        just_read=frozenset(
            name for name, tub in tubs.items() if tub.believed and tub.ago is not None and tub.ago < 180
        ),
    )
    glance = compose(config, now, night, gathered)
    rows = []
    for row in glance.enclosures:
        ago = tubs[row.enclosure].beyond
        rows.append(row if ago is None else replace(row, beyond=(int(now - ago[0] * HOUR), int(now - ago[1] * HOUR))))
    return replace(glance, enclosures=tuple(rows)), config


def chart_of(row: EnclosureMorning, tub: Tub, config: Config, now: int) -> EnclosureReport:
    """Return what the enclosure's screen draws of a tub's night, its readings in straight lines between what is known of it."""
    night = night_to_show(config.site, now)
    span: Span = "day" if night.end < now and row.alarms else "night"
    start, end = span_of(config, span, now)
    read = (
        []
        if tub.ago is None
        else list(_readings(tub, row, max(start, now - HOUR) if not tub.tonight else start, min(end, now)))
    )
    began = start if tub.tonight or not read else read[0].at
    settings = Settings(time=began, poll_seconds=config.site.poll_seconds, enclosures={}, probes={})
    stretches = tuple(
        Stretch(a.since, None, a.kind, beyond(a.kind, a.band), fault=a.kind in FAULTS, probe=a.probe)
        for a in row.alarms if a.kind in FAULTS or a.kind in EXCURSIONS
    )  # fmt: skip
    newest = None if tub.ago is None or not tub.believed else now - tub.ago
    in_force = InForce([settings], ())
    gaps = tuple(gaps_of(read, start, min(end, now), stretches, in_force, newest, 180 if end >= now else 0))
    return EnclosureReport(
        enclosure=row.enclosure, span=span, start=start, end=end, limits=row.limits,
        traces=(Trace(f"p{row.enclosure[1:]}", "substrate", tuple(read)),) if read else (), pause_seconds=180,
        gaps=gaps, temperature_gaps=gaps, stretches=stretches,
        marks=tuple(
            journal_mark(JournalEntry(what, int(now - ago * HOUR), row.enclosure, what)) for what, ago in tub.deeds.items()
        ),
        now=row.now, alarms=row.alarms, stage=row.stage, stage_until=None, out_of_service=None,
    )  # fmt: skip


def _readings(tub: Tub, row: EnclosureMorning, start: int, end: int) -> Iterator[Point]:
    """Yield slices of five minutes up to the newest believed reading, without those of the time unwatched."""
    low, high = row.humidity_min, row.humidity_max
    bottom = low.at if low is not None else end
    last = end if tub.ago is None or tub.ago < 180 else end - tub.ago
    hole = start + 3 * HOUR if tub.ago is not None and tub.ago < 180 else last
    for at in range(start, last, 300):
        if hole <= at < hole + tub.unwatched_minutes * 60:
            continue
        share = (at - start) / max(1, end - start)
        first = high.value if high is not None else tub.humidity
        lowest = low.value if low is not None else tub.humidity
        humidity = (
            first + (lowest - first) * (at - start) / max(1, bottom - start) if at < bottom
            else lowest + (tub.humidity - lowest) * (at - bottom) / max(1, end - bottom)
        )  # fmt: skip
        warmth = 28.5 + (tub.temperature - 28.5) * share
        if tub.hottest is not None and row.temperature_max is not None and abs(at - row.temperature_max.at) < HOUR:
            warmth = tub.hottest - 3 * abs(at - row.temperature_max.at) / HOUR
        yield Point(at, 300, humidity, humidity - 0.3, humidity + 0.3, warmth, warmth - 0.1, warmth + 0.1)


def _seen(
    now: int,
    alarm: str,
    hours: float,
    who: str = "",
    event: Literal["acknowledged", "cleared", "shelved"] = "acknowledged",
    why: str = "",
) -> Event:
    """Return what is stored when somebody saw an alarm of a tub or put it aside so many hours ago, or when it was over."""
    kind, enclosure = alarm.split()
    at = int(now - hours * HOUR)
    return Event(
        f"seen {alarm}", alarm, at, event, kind, enclosure, None, "tolerable", "urgent", "acknowledged", at, who=who, why=why  # type: ignore[arg-type]
    )  # fmt: skip


def _alarm(enclosure: str | None, probe: str | None, now: int, kind: str, hours: float, **more: Any) -> Alarm:
    rationale, band = KINDS[kind], more.pop("band", "tolerable" if kind in ("dry", "damp", "hot", "cold") else None)  # type: ignore[index]
    since = int(now - hours * HOUR)
    limit = 60.0 if kind == "dry" and band == "target" else None
    said: dict[str, Any] = {
        "alarm": f"{kind} {enclosure}", "kind": kind, "band": band, "priority": rationale.priority_for(band),
        "state": "unacknowledged", "enclosure": enclosure, "probe": probe if kind in FAULTS or kind in ROOMS else None, "since": since,
        "raised": since, "cause": rationale.cause, "consequence": rationale.consequence, "response": rationale.response,
        "within_seconds": rationale.within_for(band), "limit": limit,
    }  # fmt: skip
    return Alarm(**(said | more))
