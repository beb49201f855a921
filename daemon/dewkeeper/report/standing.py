"""What stands, in one account: the page's screens, the commands, the sheet and the morning message all take it from here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from dewkeeper.judge.types import Alarm, Event, Happening
from dewkeeper.judge.words import FAULTS, UNMEASURED_ENDS
from dewkeeper.report.contract import JUDGED, Newest, Past
from dewkeeper.report.model import NowValues, Standing, Unwatched
from dewkeeper.report.order import BLINDING, ROOMS, alarm_order, blinds, dose_of, highest_of
from dewkeeper.report.watching import as_far_as_known, is_stale, just_read, stale_after, unwatched
from dewkeeper.report.why import parts_of
from dewkeeper.report.wording import cause_words
from dewkeeper_config.models import Config, Limits
from dewkeeper_config.profiles import effective_limits

DAY_SECONDS = 86400
"""Who saw an alarm is looked for so far back."""


def standing_now(
    past: Past,
    config: Config,
    now: int,
    latest: Mapping[str, Newest] | None = None,
    alarms: Iterable[Alarm] | None = None,
) -> list[Standing]:
    """Return every alarm that is not normal as of `now` (UTC seconds), the most needed first.

    latest: the newest reading of every probe, or of those in `probes_asked`, where it is known already; alarms: the same of
    what stands. Raises StoreError.
    """
    alarms = [alarm for alarm in (past.standing() if alarms is None else alarms) if alarm.state != "normal"]
    # Only for who saw, shelved or ended it: with none such the events of a day need not be read.
    seen = any(alarm.state in ("acknowledged", "returned_unacknowledged", "shelved") for alarm in alarms)
    events = past.events(now - DAY_SECONDS) if seen else ()
    probes = _judged(alarms, config)
    latest = past.latest() if latest is None and probes_asked(alarms, config) else latest or {}
    fresh = stale_after(config)
    # Limits choose between probes; with one there is no choice, and what was in force need not be read.
    in_force = past.in_force() if any(len(own) > 1 for own in probes.values()) else None
    airs = {}
    for name, own in probes.items():
        limits = (in_force and in_force.limits(name, now)) or effective_limits(config, name)
        airs[name] = now_values([latest[p] for p in own if p in latest], limits, now, fresh)
    found = [
        standing(alarm, events, airs.get(alarm.enclosure or "") or air_of_room(alarm, latest, now, fresh))
        for alarm in alarms
    ]
    unseen = _unseen(probes, past, now, fresh, latest, found)
    found = [as_far_as_known(one, unseen[one.enclosure]) if one.enclosure in unseen else one for one in found]
    return sorted(found, key=lambda alarm: alarm_order(alarm, now))


def probes_asked(alarms: Iterable[Alarm], config: Config) -> set[str]:
    """Return the probes whose newest readings `standing_now` looks at to tell of these alarms."""
    alarms = list(alarms)
    of_rooms = {alarm.probe for alarm in alarms if alarm.kind in ROOMS and alarm.probe is not None}
    return of_rooms.union(*_judged(alarms, config).values())


def _judged(alarms: Iterable[Alarm], config: Config) -> dict[str, list[str]]:
    """Return the judged probes of each enclosure of which an alarm's words say whether it is watched, or what its air is now."""
    held = {alarm.enclosure for alarm in alarms if alarm.kind not in FAULTS or alarm.kind in BLINDING}
    judged: dict[str, list[str]] = {enclosure.name: [] for enclosure in config.enclosure if enclosure.name in held}
    for probe in config.probe:
        if probe.role == JUDGED and probe.enclosure in judged:
            judged[probe.enclosure].append(probe.name)
    return judged


def _unseen(
    probes: Mapping[str, Sequence[str]],
    past: Past,
    now: int,
    fresh: int,
    latest: Mapping[str, Newest],
    found: Sequence[Standing],
) -> dict[str | None, Unwatched]:
    """Return by enclosure whether it is watched now. probes: by enclosure the judged ones."""
    read = just_read(past, latest, now, fresh) if probes else frozenset()
    return {
        name: unwatched(own, [a for a in found if a.enclosure == name], latest, 0.0, now, fresh, just_read=name in read)
        for name, own in probes.items()
    }


def standing(alarm: Alarm, events: Sequence[Event] = (), air: NowValues | None = None) -> Standing:
    """Return an alarm as reports show it. events: among which it was seen. air: its place's of now, or of the last reading."""
    seen = _last(events, alarm, "acknowledged") if alarm.state == "acknowledged" else None
    shelved = _last(events, alarm, "shelved") if alarm.state == "shelved" else None
    ended = _last(events, alarm, "cleared") if alarm.state == "returned_unacknowledged" else None
    # An alarm stands on until it is cooler by the deadband for a while; dangerous is only what is hot now.
    cooler = air is not None and alarm.limit is not None and air.temperature_c < alarm.limit
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
        cause=cause_words(alarm.kind, alarm.cause),
        consequence=alarm.consequence,
        response=alarm.response,
        respond_by=alarm.respond_by,
        shelved_until=alarm.shelved_until,
        shelved_by="" if shelved is None else shelved.who,
        shelved_why="" if shelved is None else shelved.why,
        dose=dose_of(alarm.detail),
        danger=bool(alarm.detail.get("danger")) and (alarm.state == "returned_unacknowledged" or not cooler),
        seen_by=None if seen is None else seen.who,
        seen_at=None if seen is None else seen.time,
        parts=parts_of(alarm.detail),
        ended=None if ended is None else ended.time,
        unmeasured=ended is not None and ended.why in UNMEASURED_ENDS,
        air=air,
        room=str(alarm.detail.get("room", "")) if alarm.kind in ROOMS else "",
        danger_limit=bool(alarm.detail.get("danger")),
        highest=highest_of(alarm.detail) if alarm.state == "returned_unacknowledged" else None,
        blind=blinds(alarm.kind, alarm.enclosure) and alarm.state != "returned_unacknowledged",
    )


def _last(events: Sequence[Event], alarm: Alarm, what: Happening) -> Event | None:
    found = (event for event in events if event.alarm == alarm.alarm and event.event == what)
    return max(found, key=lambda event: event.time, default=None)


def air_of_room(alarm: Alarm, latest: Mapping[str, Newest], now: int, stale_after_seconds: int) -> NowValues | None:
    """Return the newest believed air of the room that an alarm is about; None of any other alarm."""
    newest = latest.get(alarm.probe or "") if alarm.kind in ROOMS else None
    found = _believed([newest] if newest is not None else [], now, stale_after_seconds)
    return found[0] if found else None


def now_values(newest: Iterable[Newest], limits: Limits, now: int, stale_after_seconds: int) -> NowValues | None:
    """Return the newest believed values, of several probes those of most concern; None when none is believed.

    A stale one never hides one of now.
    """
    warm, damp = limits.temperature_tolerable, limits.humidity_target

    def concern(values: NowValues) -> tuple[bool, float, float]:
        temperature, humidity = values.temperature_c, values.humidity_percent
        beyond = max(warm.low - temperature, temperature - warm.high, 0.0)
        return (not values.stale, beyond, max(damp.low - humidity, humidity - damp.high))

    return max(_believed(newest, now, stale_after_seconds), key=concern, default=None)


def warmth_now(newest: Iterable[Newest], limits: Limits, now: int, stale_after_seconds: int) -> float | None:
    """Return the °C of now of a probe whose humidity alone is doubted, of several the one of most concern; None for none."""
    warm = limits.temperature_tolerable
    felt = [
        n.reading.temperature_c
        for n in newest
        if n.quality.temperature_counts
        and n.reading.temperature_c is not None
        and not is_stale(n.reading.time, now, stale_after_seconds)
    ]
    return max(felt, key=lambda celsius: max(warm.low - celsius, celsius - warm.high), default=None)


def _believed(newest: Iterable[Newest], now: int, stale_after_seconds: int) -> list[NowValues]:
    return [
        NowValues(r.humidity_percent, r.temperature_c, r.time, is_stale(r.time, now, stale_after_seconds), r.probe)
        for r in (n.reading for n in newest if n.quality.counts)
        if r.humidity_percent is not None and r.temperature_c is not None
    ]
