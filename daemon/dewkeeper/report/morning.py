"""The morning glance: what the night was, what is wrong and what to do, worst enclosure first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from dewkeeper.air import referred_humidity
from dewkeeper.judge.lifecycle import WITHHELD
from dewkeeper.judge.types import PRIORITIES, Alarm, Event, JournalEntry
from dewkeeper.judge.words import FAULTS, JOURNAL, KINDS
from dewkeeper.report.history import Newest, NightSums, Past
from dewkeeper.report.model import (
    RANKS,
    Change,
    EnclosureMorning,
    Limiting,
    MorningGlance,
    NowValues,
    Rank,
    Standing,
    Unwatched,
)
from dewkeeper.report.nights import Night, night_before, night_to_show
from dewkeeper.report.wording import Wording, happened, worth_telling
from dewkeeper_config.models import Config, Enclosure, Limits
from dewkeeper_config.profiles import effective_limits

DAY_SECONDS = 86400
STALE_POLLS = 3
UNWATCHED_MINUTES = 30.0
"""So much of a night without believable readings is worth a look even when the probe is back."""
QUIET_STATES = WITHHELD | {"normal"}
"""States in which an alarm asks nothing of anybody just now."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """Everything read from the store for one glance: sums by enclosure, newest readings by probe, the rest in time order.

    limits: what each enclosure is judged by just now, its stage included. resting: what is out of service.
    """

    tonight: Mapping[str, NightSums]
    before: Mapping[str, NightSums]
    latest: Mapping[str, Newest]
    alarms: Sequence[Alarm]
    events: Sequence[Event]
    journal: Sequence[JournalEntry]
    limits: Mapping[str, Limits]
    stages: Mapping[str, str]
    resting: frozenset[str]


def morning(history: Past, config: Config, now: int) -> MorningGlance:
    """Return the glance at `now` (UTC seconds) over the night that ends on today's local date.

    Raises StoreError when the store cannot be read.
    """
    night = night_to_show(config.site, now)
    earlier = night_before(config.site, night)
    since = now - DAY_SECONDS
    in_force = history.in_force()
    gathered = Gathered(
        tonight=history.nights(night.start, min(night.end, now)),
        before=history.nights(earlier.start, earlier.end),
        latest=history.latest(),
        alarms=history.standing(),
        events=history.events(since),
        journal=history.journal(since),
        limits={e.name: in_force.limits(e.name, now) or effective_limits(config, e.name) for e in config.enclosure},
        stages={e.name: in_force.stage(e.name, now)[0] or e.profile for e in config.enclosure},
        resting=frozenset(out.enclosure or "" for out in in_force.resting(e.name for e in config.enclosure)),
    )
    return compose(config, now, night, gathered)


def compose(config: Config, now: int, night: Night, gathered: Gathered) -> MorningGlance:
    """Return the glance from what was gathered; a pure function."""
    rooms = {rack.name: rack.room for rack in config.rack}
    wording = Wording.of(config.site)
    stale_after = STALE_POLLS * config.site.poll_seconds
    changes = tuple(_changes(gathered, wording, now))
    rows = [
        _enclosure(enclosure, rooms[enclosure.rack], config, now, night, gathered, changes, stale_after)
        for enclosure in config.enclosure
    ]
    known = {enclosure.name for enclosure in config.enclosure}
    return MorningGlance(
        site=config.site.name,
        timezone=config.site.timezone,
        made_at=now,
        night=night.day,
        night_start=night.start,
        night_end=night.end,
        night_over=now >= night.end,
        enclosures=tuple(sorted(rows, key=_worst_first)),
        general=tuple(standing(a) for a in gathered.alarms if a.enclosure not in known and a.state != "normal"),
        changes=changes,
        silent_since=silent_since(gathered.latest.values(), now, stale_after),
    )


def silent_since(newest: Iterable[Newest], now: int, stale_after_seconds: int) -> int | None:
    """Return when the newest reading of all was taken if even that one is stale: no probe is at fault, nothing is read."""
    last = max((n.reading.time for n in newest), default=None)
    return last if last is not None and now - last > stale_after_seconds else None


def standing(alarm: Alarm) -> Standing:
    """Return an alarm as reports show it."""
    return Standing(
        alarm=alarm.alarm,
        kind=alarm.kind,
        band=alarm.band,
        priority=alarm.priority,
        state=alarm.state,
        enclosure=alarm.enclosure,
        probe=alarm.probe,
        since=alarm.since,
        raised=alarm.raised,
        value=alarm.value,
        limit=alarm.limit,
        cause=alarm.cause,
        consequence=alarm.consequence,
        response=alarm.response,
        respond_by=alarm.raised + alarm.within_seconds if alarm.within_seconds else None,
        shelved_until=alarm.shelved_until,
    )


def _enclosure(
    enclosure: Enclosure,
    room: str,
    config: Config,
    now: int,
    night: Night,
    gathered: Gathered,
    changes: Sequence[Change],
    stale_after: int,
) -> EnclosureMorning:
    probes = [p.name for p in config.probe if p.enclosure == enclosure.name and p.role == "substrate"]
    limits = gathered.limits[enclosure.name]
    tonight = gathered.tonight.get(enclosure.name, NightSums())
    before = gathered.before.get(enclosure.name, NightSums())
    alarms = tuple(standing(a) for a in gathered.alarms if a.enclosure == enclosure.name and a.state != "normal")
    newest = now_values([gathered.latest[p] for p in probes if p in gathered.latest], limits, now, stale_after)
    referred = None
    if tonight.humidity_min is not None and tonight.humidity_min_temperature_c is not None:
        referred = referred_humidity(
            tonight.humidity_min.value, tonight.humidity_min_temperature_c, limits.day_temperature
        )
    change = None
    if tonight.humidity_min is not None and before.humidity_min is not None:
        change = tonight.humidity_min.value - before.humidity_min.value
    passed = min(now, night.end) - night.start
    unwatched = unwatched_time(alarms, newest, max(0.0, passed - tonight.watched_seconds) / 60)
    row = EnclosureMorning(
        enclosure=enclosure.name,
        rack=enclosure.rack,
        room=room,
        shelf=enclosure.shelf,
        place=enclosure.place,
        rank="calm",
        limits=limiting(limits),
        humidity_min=tonight.humidity_min,
        humidity_max=tonight.humidity_max,
        temperature_min=tonight.temperature_min,
        temperature_max=tonight.temperature_max,
        humidity_min_at_day_percent=referred,
        minutes_beyond_target=tonight.beyond_target_seconds / 60,
        minutes_beyond_tolerable=tonight.beyond_tolerable_seconds / 60,
        dose_percent_hours=tonight.dose_percent_hours,
        minutes_watched=tonight.watched_seconds / 60,
        now=newest,
        unwatched=unwatched,
        alarms=tuple(sorted(alarms, key=worst_alarm_first)),
        minimum_change_percent=change,
        changes=tuple(c.text for c in changes if c.enclosure == enclosure.name),
        minutes_too_hot=tonight.too_hot_seconds / 60,
        minutes_too_cold=tonight.too_cold_seconds / 60,
        stage=gathered.stages[enclosure.name],
        out_of_service=enclosure.name in gathered.resting,
        judged=tuple(probes),
    )
    return _ranked(row, limits)


def limiting(limits: Limits) -> Limiting:
    """Return the numbers of `limits` that a report compares with."""
    return Limiting(
        target_low=limits.humidity_target.low,
        target_high=limits.humidity_target.high,
        tolerable_low=limits.humidity_tolerable.low,
        tolerable_high=limits.humidity_tolerable.high,
        temperature_low=limits.temperature_tolerable.low,
        temperature_high=limits.temperature_tolerable.high,
        day_temperature=limits.day_temperature,
    )


def now_values(newest: Iterable[Newest], limits: Limits, now: int, stale_after_seconds: int) -> NowValues | None:
    """Return the newest believed values, of several probes those of most concern; None when none is believed.

    A stale one never hides one of now.
    """
    believed = [
        NowValues(r.humidity_percent, r.temperature_c, r.time, now - r.time > stale_after_seconds, r.probe)
        for r in (n.reading for n in newest if n.quality.counts)
        if r.humidity_percent is not None and r.temperature_c is not None
    ]
    warm, damp = limits.temperature_tolerable, limits.humidity_target

    def concern(values: NowValues) -> tuple[bool, float, float]:
        temperature, humidity = values.temperature_c, values.humidity_percent
        beyond = max(warm.low - temperature, temperature - warm.high, 0.0)
        return (not values.stale, beyond, max(damp.low - humidity, humidity - damp.high))

    return max(believed, key=concern, default=None)


def unwatched_time(alarms: Iterable[Standing], newest: NowValues | None, minutes: float) -> Unwatched:
    """Return how long nothing was believed, whether that is so now, and the named fault if there is one."""
    faults = sorted((a for a in alarms if a.kind in FAULTS and a.state != "out_of_service"), key=lambda a: a.since)
    if faults and faults[0].state != "returned_unacknowledged":
        return Unwatched(minutes, True, KINDS[faults[0].kind].label, faults[0].since)
    if newest is None or newest.stale:
        return Unwatched(minutes, True, "no new reading", newest.at if newest else None)
    return Unwatched(minutes, False, "", None)


def _ranked(row: EnclosureMorning, limits: Limits) -> EnclosureMorning:
    open_alarms = [a for a in row.alarms if a.state not in QUIET_STATES]
    delays = limits.delays
    referred = row.humidity_min_at_day_percent
    rank: Rank = "calm"
    if any(a.priority == "urgent" and a.state != "returned_unacknowledged" for a in open_alarms):
        rank = "urgent"
    elif any(a.kind not in FAULTS for a in open_alarms):
        rank = "alarm"
    elif row.out_of_service:
        rank = "calm"
    elif open_alarms or row.unwatched.now or row.unwatched.minutes >= UNWATCHED_MINUTES:
        rank = "unwatched"
    elif (
        row.minutes_beyond_tolerable >= delays.dry_tolerable_minutes
        or row.minutes_beyond_target >= delays.dry_target_minutes
        or row.minutes_too_cold > 0
        or row.minutes_too_hot > 0
        or (referred is not None and referred < limits.humidity_tolerable.low - delays.humidity_deadband)
    ):
        rank = "outside"
    return replace(row, rank=rank)


def _worst_first(row: EnclosureMorning) -> tuple[int, float, str, int, int]:
    return (RANKS.index(row.rank), -row.dose_percent_hours, row.rack, row.shelf, row.place)


def worst_alarm_first(alarm: Standing) -> tuple[bool, int, bool, int]:
    """Return what to sort alarms by: those that ask nothing last, urgent ones first, over ones after, then the older."""
    over = alarm.state == "returned_unacknowledged"
    return (alarm.state in QUIET_STATES, -PRIORITIES.index(alarm.priority), over, alarm.since)


def _changes(gathered: Gathered, wording: Wording, now: int) -> Iterable[Change]:
    """Yield what happened in the last day, oldest first: alarms that began or ended, and what people did."""
    lines: list[Change] = []
    for event in worth_telling(gathered.events):
        lines.append(Change(event.time, event.enclosure, f"{wording.clock(event.time)} {happened(event, wording)}"))
    for entry in gathered.journal:
        label = JOURNAL[entry.what].label if entry.what in JOURNAL else entry.what
        text = f"{wording.clock(entry.time)} {label}" + (f": {entry.detail}" if entry.detail else "")
        lines.append(Change(entry.time, entry.enclosure, text))
    return sorted(lines, key=lambda change: change.at)
