"""The morning glance: what the night was, what is wrong and what to do, worst enclosure first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from dewkeeper.air import referred_humidity
from dewkeeper.judge.types import Alarm, Event, JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.contract import Newest, NightSums, Past, Point
from dewkeeper.report.gaps import gaps_by_enclosure
from dewkeeper.report.model import UNWATCHED_MINUTES, Change, EnclosureMorning, Gap, Limiting, MorningGlance, Rank
from dewkeeper.report.nights import Night, night_before, night_to_show
from dewkeeper.report.off_times import OffTime, off_times
from dewkeeper.report.order import QUIET_STATES, alarm_order, row_order
from dewkeeper.report.standing import DAY_SECONDS, air_of_room, now_values, standing, warmth_now
from dewkeeper.report.watching import (
    as_far_as_known,
    due_seconds,
    is_fault,
    just_read,
    silent_since,
    stale_after,
    unwatched,
)
from dewkeeper.report.wording import Wording, happened, worth_telling
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper_config.models import Config, Enclosure, Limits
from dewkeeper_config.profiles import effective_limits


@dataclass(frozen=True, slots=True)
class MorningFacts:
    """Everything read from the store for one glance: sums by enclosure, newest readings by probe, the rest in time order.

    limits: what each enclosure is judged by just now, its stage included. resting: what is out of service. due: seconds of
    the night so far in which each was to be watched. just_read: what was believed within the last polls. bands: timed bands
    that hold ("65-80"). off: when dewkeeper itself was off. gaps: when an enclosure was not read, where that does not say so.
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
    due: Mapping[str, int]
    just_read: frozenset[str]
    bands: Mapping[str, str] = field(default_factory=dict)
    off: Sequence[OffTime] = ()
    gaps: Mapping[str, Sequence[Gap]] = field(default_factory=dict)


def morning(history: Past, config: Config, now: int) -> MorningGlance:
    """Return the glance at `now` (UTC seconds) over the night that ends on today's local date.

    Raises StoreError when the store cannot be read.
    """
    night = night_to_show(config.site, now)
    earlier = night_before(config.site, night)
    since = now - DAY_SECONDS
    in_force = history.in_force()
    latest, fresh = history.latest(), stale_after(config)
    end = min(night.end, now)
    tonight = history.nights(night.start, end)
    due = {e.name: due_seconds(in_force, e.name, night.start, end) for e in config.enclosure}
    off = off_times(history.notes())
    # While dewkeeper itself was off nobody was watched: that is told once, and looked up for no single tub.
    away = sum(one.within(night.start, end) for one in off if one.within(night.start, now) > fresh)
    missed = [n for n, seconds in due.items() if seconds - tonight.get(n, NightSums()).watched_seconds > fresh + away]
    held = {e.name: in_force.holding(e.name, now) for e in config.enclosure}
    gathered = MorningFacts(
        tonight=tonight,
        before=history.nights(earlier.start, earlier.end),
        latest=latest,
        alarms=history.standing(),
        events=history.events(since),
        journal=history.journal(since),
        limits={e.name: in_force.limits(e.name, now) or effective_limits(config, e.name) for e in config.enclosure},
        stages={e.name: held[e.name].stage or e.profile for e in config.enclosure},
        bands={name: one.band for name, one in held.items()},
        resting=frozenset(out.enclosure or "" for out in in_force.resting(e.name for e in config.enclosure)),
        due=due,
        just_read=just_read(history, latest, now, fresh),
        off=off,
        gaps=gaps_by_enclosure(history, in_force, missed, night.start, end, fresh) if missed else {},
    )
    glance = compose(config, now, night, gathered)
    rows = (replace(row, beyond=_beyond(row, history, night.start, end)) for row in glance.enclosures)
    return replace(glance, enclosures=tuple(rows))


def _beyond(row: EnclosureMorning, history: Past, start: int, end: int) -> tuple[int, int] | None:
    """Return from when to when the worst of a night that was outside lasted, to a quarter of an hour, None of any other. Raises StoreError."""
    if row.rank != "outside" or end - start < QUARTER_SECONDS:
        return None
    limits = row.limits
    low, high = limits.tolerable_low, limits.tolerable_high
    if row.minutes_beyond_tolerable < 1:
        low, high = limits.target_low, limits.target_high

    def outside(point: Point) -> bool:
        if row.minutes_too_hot or row.minutes_too_cold:
            hot = row.minutes_too_hot > 0
            return (
                point.temperature_high > limits.temperature_high
                if hot
                else point.temperature_low < limits.temperature_low
            )
        wet, dry = point.humidity_high, point.humidity_low
        return (dry is not None and dry < low) or (wet is not None and wet > high)

    traces = history.traces(row.enclosure, start, end, (end - start) // QUARTER_SECONDS)
    found = [point for trace in traces if trace.judged for point in trace.points if outside(point)]
    return (min(p.at for p in found), max(min(p.at + p.seconds, end) for p in found)) if found else None


def compose(config: Config, now: int, night: Night, gathered: MorningFacts) -> MorningGlance:
    """Return the glance from what was gathered; a pure function."""
    rooms = {rack.name: rack.room for rack in config.rack}
    wording = Wording.of(config.site)
    fresh = stale_after(config)
    changes = tuple(_changes(gathered, wording))
    # So short that no reading is missed, it is nothing to tell.
    off = tuple(one for one in gathered.off if one.within(night.start, now) > fresh)
    night_off = [(one, one.within(night.start, min(night.end, now))) for one in off]
    rows = [
        _enclosure(enclosure, rooms[enclosure.rack], config, now, gathered, changes, fresh, night_off)
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
        enclosures=tuple(sorted(rows, key=lambda row: row_order(row, now))),
        general=tuple(
            sorted(
                (
                    standing(a, gathered.events, air_of_room(a, gathered.latest, now, fresh))
                    for a in gathered.alarms
                    # Those of an enclosure that has left the configuration too: else nobody would see that they stand.
                    if a.enclosure not in known and a.state != "normal"
                ),
                key=lambda a: alarm_order(a, now),
            )
        ),
        changes=changes,
        silent_since=silent_since(gathered.latest.values(), now, fresh),
        # One from before the clock was put back is dated ahead of now.
        newest=max((n.reading.time for n in gathered.latest.values() if n.reading.time <= now), default=None),
        off=off,
    )


def _enclosure(
    enclosure: Enclosure,
    room: str,
    config: Config,
    now: int,
    gathered: MorningFacts,
    changes: Sequence[Change],
    fresh: int,
    night_off: Sequence[tuple[OffTime, int]],
) -> EnclosureMorning:
    probes = [p.name for p in config.probe if p.enclosure == enclosure.name and p.role == "substrate"]
    limits = gathered.limits[enclosure.name]
    tonight = gathered.tonight.get(enclosure.name, NightSums())
    before = gathered.before.get(enclosure.name, NightSums())
    read = [gathered.latest[p] for p in probes if p in gathered.latest]
    newest = now_values(read, limits, now, fresh)
    own = (a for a in gathered.alarms if a.enclosure == enclosure.name and a.state != "normal")
    alarms = tuple(standing(a, gathered.events, newest) for a in own)
    referred = None
    if tonight.humidity_min is not None and tonight.humidity_min_temperature_c is not None:
        referred = referred_humidity(
            tonight.humidity_min.value, tonight.humidity_min_temperature_c, limits.day_temperature
        )
    change = None
    if tonight.humidity_min is not None and before.humidity_min is not None:
        change = tonight.humidity_min.value - before.humidity_min.value
    name, lost = enclosure.name, max(0.0, gathered.due[enclosure.name] - tonight.watched_seconds)
    unseen = unwatched(probes, alarms, gathered.latest, lost / 60, now, fresh, just_read=name in gathered.just_read)
    if not unseen.now and lost > fresh and sum(seconds for _, seconds in night_off) >= lost - fresh:
        unseen = replace(unseen, off=max(night_off, key=lambda pair: pair[1])[0].why)
    elif not unseen.now:
        unseen = replace(unseen, gaps=tuple(gathered.gaps.get(name, ())))
    alarms = tuple(as_far_as_known(alarm, unseen) for alarm in alarms)
    out_of_service = name in gathered.resting
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
        warmth_now_c=None if newest is not None else warmth_now(read, limits, now, fresh),
        unwatched=unseen,
        alarms=tuple(sorted(alarms, key=lambda a: alarm_order(a, now))),
        minimum_change_percent=change,
        changes=tuple(c.text for c in changes if c.enclosure == enclosure.name),
        minutes_too_hot=tonight.too_hot_seconds / 60,
        minutes_too_cold=tonight.too_cold_seconds / 60,
        stage=gathered.stages[enclosure.name],
        band=gathered.bands.get(enclosure.name, ""),
        out_of_service=out_of_service,
        judged=tuple(probes),
        # A gap of up to three polls is no break for the judge either, and the last polls may not be committed yet.
        watched=not out_of_service and not unseen.now and gathered.due[name] > 0 and lost <= fresh,
    )
    return replace(row, rank=_rank(row, limits))


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


def _rank(row: EnclosureMorning, limits: Limits) -> Rank:
    open_alarms = [a for a in row.alarms if a.state not in QUIET_STATES]
    if any(a.priority == "urgent" and a.state != "returned_unacknowledged" for a in open_alarms):
        return "urgent"
    # A fault of its judged probe says that it is not watched; one that leaves it watched is something to see to.
    if any(not is_fault(a) for a in open_alarms) or (open_alarms and not row.out_of_service and not row.unwatched.now):
        return "alarm"
    if row.out_of_service:
        return "out_of_service"
    if row.unwatched.now or row.unwatched.minutes >= UNWATCHED_MINUTES:
        return "unwatched"
    if any(a.state == "shelved" for a in row.alarms):
        return "shelved"
    return "outside" if _outside(row, limits) else "calm"


def _outside(row: EnclosureMorning, limits: Limits) -> bool:
    delays, referred = limits.delays, row.humidity_min_at_day_percent
    return (
        row.minutes_beyond_tolerable >= delays.dry_tolerable_minutes
        or row.minutes_beyond_target >= delays.dry_target_minutes
        or row.minutes_too_cold > 0
        or row.minutes_too_hot > 0
        or (referred is not None and referred < limits.humidity_tolerable.low - delays.humidity_deadband)
    )


def _changes(gathered: MorningFacts, wording: Wording) -> Iterable[Change]:
    """Yield what happened in the last day, oldest first: alarms that began or ended, and what people did."""
    lines: list[Change] = []
    for event in worth_telling(gathered.events):
        lines.append(Change(event.time, event.enclosure, f"{wording.clock(event.time)} {happened(event, wording)}"))
    for entry in gathered.journal:
        label = JOURNAL[entry.what].label if entry.what in JOURNAL else entry.what
        text = f"{wording.clock(entry.time)} {label}" + (f": {entry.detail}" if entry.detail else "")
        lines.append(Change(entry.time, entry.enclosure, text))
    return sorted(lines, key=lambda change: change.at)
