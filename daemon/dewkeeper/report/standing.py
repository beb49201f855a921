"""What stands, in one account: the page's screens, the commands, the sheet and the morning message all take it from here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from dewkeeper.judge.types import Alarm, Event
from dewkeeper.report.history import Newest, Past
from dewkeeper.report.model import NowValues, Standing
from dewkeeper.report.order import alarm_order, dose_of
from dewkeeper.report.watching import is_stale, stale_after
from dewkeeper.report.why import parts_of
from dewkeeper.report.wording import cause_words
from dewkeeper_config.models import Config, Limits
from dewkeeper_config.profiles import effective_limits

DAY_SECONDS = 86400
"""Who saw an alarm is looked for so far back."""


def standing_now(past: Past, config: Config, now: int, latest: Mapping[str, Newest] | None = None) -> list[Standing]:
    """Return every alarm that is not normal as of `now` (UTC seconds), the most needed first.

    latest: the newest reading of every probe, where it is known already. Raises StoreError.
    """
    alarms = [alarm for alarm in past.standing() if alarm.state != "normal"]
    seen = any(alarm.state == "acknowledged" for alarm in alarms)
    events = past.events(now - DAY_SECONDS) if seen else ()
    warm = {alarm.enclosure for alarm in alarms if alarm.detail.get("danger")}
    warmth = _warmth(warm, config, now, past.latest() if latest is None and warm else latest or {})
    found = [standing(alarm, events, warmth.get(alarm.enclosure)) for alarm in alarms]
    return sorted(found, key=lambda alarm: alarm_order(alarm, now))


def _warmth(
    wanted: Iterable[str | None], config: Config, now: int, latest: Mapping[str, Newest]
) -> dict[str | None, float | None]:
    """Return by enclosure the temperature of now, °C."""
    known, fresh = {e.name for e in config.enclosure}, stale_after(config)
    found: dict[str | None, float | None] = {}
    for name in (name for name in wanted if name in known):
        probes = [p.name for p in config.probe if p.enclosure == name and p.role == "substrate"]
        limits = effective_limits(config, name or "")
        found[name] = warmth_of(now_values([latest[p] for p in probes if p in latest], limits, now, fresh))
    return found


def standing(alarm: Alarm, events: Iterable[Event] = (), temperature_c: float | None = None) -> Standing:
    """Return an alarm as reports show it. events: among which it was seen. temperature_c: its enclosure's of now, if known."""
    seen = None
    if alarm.state == "acknowledged":
        found = (event for event in events if event.alarm == alarm.alarm and event.event == "acknowledged")
        seen = max(found, key=lambda event: event.time, default=None)
    cooler = temperature_c is not None and alarm.limit is not None and temperature_c < alarm.limit
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
        dose=dose_of(alarm.detail),
        danger=bool(alarm.detail.get("danger")) and (alarm.state == "returned_unacknowledged" or not cooler),
        seen_by=None if seen is None else seen.who,
        seen_at=None if seen is None else seen.time,
        parts=parts_of(alarm.detail),
    )


def warmth_of(newest: NowValues | None) -> float | None:
    """Return the temperature of now, °C; None where nobody knows it."""
    return None if newest is None or newest.stale else newest.temperature_c


def now_values(newest: Iterable[Newest], limits: Limits, now: int, stale_after_seconds: int) -> NowValues | None:
    """Return the newest believed values, of several probes those of most concern; None when none is believed.

    A stale one never hides one of now.
    """
    believed = [
        NowValues(r.humidity_percent, r.temperature_c, r.time, is_stale(r.time, now, stale_after_seconds), r.probe)
        for r in (n.reading for n in newest if n.quality.counts)
        if r.humidity_percent is not None and r.temperature_c is not None
    ]
    warm, damp = limits.temperature_tolerable, limits.humidity_target

    def concern(values: NowValues) -> tuple[bool, float, float]:
        temperature, humidity = values.temperature_c, values.humidity_percent
        beyond = max(warm.low - temperature, temperature - warm.high, 0.0)
        return (not values.stale, beyond, max(damp.low - humidity, humidity - damp.high))

    return max(believed, key=concern, default=None)
