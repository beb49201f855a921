"""The alarms themselves, month by month: which told too much, and what another deadband or delay would have changed.

Counts come from the stored events; every proposal is a replay of the same readings through the same judge with that one
setting changed, so the numbers beside it are what it would have told.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from dewkeeper.judge.types import EnclosureFacts, Event, Item, Kind, Settings
from dewkeeper.judge.words import STALE_SECONDS
from dewkeeper.report.replaying import Excursion, compare, excursions, replay_together
from dewkeeper.report.wording import duration
from dewkeeper_config.models import Limits

CHATTER_SECONDS = 3 * 3600
FLEETING_SECONDS = 20 * 60
WORST = 5
"""So many offenders get proposals."""

_FEW = 3  # less often than this is no habit

Stream = Callable[[Collection[str]], Iterable[Item]]
"""Gives the stored stream anew, readings of these probes only."""


@dataclass(slots=True)
class MonthLine:
    """One enclosure in one local month. standing_seconds: how long its alarms stood in it; the rest are counts.

    chattering: raised within three hours of the same alarm's end. fleeting: over within 20 minutes. stale: stood for
    more than a day. never_acknowledged: nobody ever said that it was seen.
    """

    month: str
    enclosure: str
    raised: int = 0
    urgent: int = 0
    medium: int = 0
    low: int = 0
    standing_seconds: int = 0
    chattering: int = 0
    fleeting: int = 0
    stale: int = 0
    never_acknowledged: int = 0

    def row(self) -> dict[str, Any]:
        """Return it as plain values."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Offender:
    """One kind of alarm of one enclosure that came often."""

    enclosure: str
    kind: Kind
    raised: int
    chattering: int
    fleeting: int
    standing_seconds: int


@dataclass(frozen=True, slots=True)
class Proposal:
    """One setting of one enclosure changed, and what replay says it does to its alarms of that kind.

    lost: alarms that would not have been told at all; longest_lost_seconds: how long the longest of
    them that are over stood. Others
    that are fewer were joined into longer ones. latest_seconds: how much later one would have been told, at most.
    """

    enclosure: str
    kind: Kind
    setting: str
    now: float
    proposed: float
    alarms_now: int
    alarms_proposed: int
    lost: int
    longest_lost_seconds: int
    latest_seconds: int

    def sentence(self) -> str:
        """Say it."""
        said = (
            f"{self.enclosure}: {self.setting} {self.now:g} -> {self.proposed:g}: "
            f"{self.alarms_now} `{self.kind}` alarms would have been {self.alarms_proposed}"
        )
        if self.lost:
            said += f"; {self.lost} not told at all"
            # What still stands has no length yet.
            if self.longest_lost_seconds:
                said += f", the longest of them stood {duration(self.longest_lost_seconds)}"
        if self.latest_seconds:
            said += f"; told up to {duration(self.latest_seconds)} later"
        if self.setting == "off_minutes" or self.setting.endswith("deadband"):
            said += "; each would have ended later"
        return said


def by_month(events: Iterable[Event], start: int, until: int, zone: ZoneInfo) -> list[MonthLine]:
    """Return the counts per month and enclosure of [start, until); what still stands counts up to `until`.

    Events should begin early enough for what stood at `start` to be among them.
    """
    listed = list(events)
    acknowledged = {event.alarm for event in listed if event.event == "acknowledged"}
    lines: dict[tuple[str, str], MonthLine] = {}
    last_cleared: dict[tuple[str, str], int] = {}
    for alarm in excursions(listed):
        end = until if alarm.cleared is None else alarm.cleared
        key = (alarm.place, alarm.kind)
        chattering = alarm.raised - last_cleared.get(key, -CHATTER_SECONDS) < CHATTER_SECONDS
        last_cleared[key] = end
        for month, seconds in _months(max(alarm.raised, start), max(end, start), zone):
            # Also one that ended as it was raised: it needs the line in which it is counted below.
            if seconds or alarm.raised >= start:
                line = lines.setdefault((month, alarm.place), MonthLine(month, alarm.place))
                line.standing_seconds += seconds
        # It stood in the month, but what it was when it was raised counts for the month before.
        if alarm.raised < start:
            continue
        line = lines[_month(alarm.raised, zone), alarm.place]
        stood = max(0, end - alarm.raised)
        line.raised += 1
        line.urgent += alarm.priority == "urgent"
        line.medium += alarm.priority == "medium"
        line.low += alarm.priority == "low"
        line.chattering += chattering
        line.fleeting += alarm.cleared is not None and stood < FLEETING_SECONDS
        line.stale += stood > STALE_SECONDS
        line.never_acknowledged += alarm.alarm not in acknowledged
    return sorted(lines.values(), key=lambda line: (line.month, -line.raised, line.enclosure))


def offenders(events: Iterable[Event], start: int, until: int) -> list[Offender]:
    """Return the kinds of alarms that came most often since `start`, worst first."""
    found: dict[tuple[str, Kind], list[Excursion]] = {}
    for alarm in excursions(events):
        if alarm.raised >= start:
            found.setdefault((alarm.place, alarm.kind), []).append(alarm)
    ranked = sorted(found, key=lambda key: (-len(found[key]), key))
    return [_offender(*key, found[key], until) for key in ranked if len(found[key]) >= _FEW][:WORST]


def _offender(place: str, kind: Kind, alarms: Sequence[Excursion], until: int) -> Offender:
    ends = [until if alarm.cleared is None else alarm.cleared for alarm in alarms]
    stood = [end - alarm.raised for alarm, end in zip(alarms, ends, strict=True)]
    fleeting = [a for a in alarms if a.cleared is not None and a.cleared - a.raised < FLEETING_SECONDS]
    pauses = [alarm.raised - end for alarm, end in zip(alarms[1:], ends[:-1], strict=True)]
    return Offender(
        place, kind, len(alarms), sum(pause < CHATTER_SECONDS for pause in pauses),
        len(fleeting), sum(stood),
    )  # fmt: skip


_SETTINGS: dict[str, tuple[tuple[str, float, float], ...]] = {
    "dry": (
        ("humidity_deadband", 2.0, 20.0), ("off_minutes", 12.0, 240), ("dry_target_minutes", 2.0, 4320),
        ("dry_tolerable_minutes", 1.5, 1440),
    ),
    "damp": (
        ("humidity_deadband", 2.0, 20.0), ("off_minutes", 12.0, 240), ("damp_target_minutes", 1.5, 10080),
        ("damp_tolerable_minutes", 1.5, 4320),
    ),
    "cold": (("temperature_deadband", 2.0, 5.0), ("off_minutes", 6.0, 240), ("cold_minutes", 1.5, 720)),
    "hot": (("temperature_deadband", 2.0, 5.0),),  # heat is told at once: only its end may be made calmer
}  # fmt: skip
"""Kind -> (setting, factor, most allowed). Delays of heat are never proposed."""


def proposal(settings: Settings, offender: Offender, stream: Stream, earlier: Sequence[Item] = ()) -> Proposal | None:
    """Return the one change that makes an offender quietest, None where none helps or the kind has no such settings.

    Only its enclosure is judged, beside its room, in one reading of the stream. earlier: as for `replay_items`.
    """
    facts = settings.enclosures.get(offender.enclosure)
    tried = _SETTINGS.get(offender.kind)
    if facts is None or tried is None:
        return None
    probes = {
        name: probe
        for name, probe in settings.probes.items()
        if probe.enclosure == facts.name or (probe.role == "room" and probe.room == facts.room)
    }
    # The room stays, for by its air the judge tells a cause.
    alone = replace(settings, enclosures={facts.name: facts}, probes=probes)
    candidates = [
        (change, value)
        for change in tried
        # Else it is at the most that is allowed already.
        if (value := _scaled(facts.limits, *change)) > _value(facts.limits, change[0])
    ]
    several = [alone, *(_changed(alone, facts, *change) for change, _ in candidates)]
    told = [
        [alarm for alarm in excursions(events) if (alarm.place, alarm.kind) == (facts.name, offender.kind)]
        for events in replay_together(several, stream(probes.keys()), earlier)
    ]
    found = [
        _proposal(facts, offender.kind, change[0], value, told[0], then)
        for (change, value), then in zip(candidates, told[1:], strict=True)
        if len(then) < len(told[0])
    ]
    # Of two that quiet it alike, the one that loses or delays least.
    return min(found, key=lambda p: (p.alarms_proposed, p.lost, p.latest_seconds), default=None)


def _value(limits: Limits, setting: str) -> float:
    return float(getattr(limits.delays, setting))


def _scaled(limits: Limits, setting: str, factor: float, most: float) -> float:
    # Nought times anything is nought: from half a minute, or half a unit, on a setting can grow.
    return min(most, max(_value(limits, setting) * factor, 0.5))


def _changed(settings: Settings, facts: EnclosureFacts, setting: str, factor: float, most: float) -> Settings:
    """Return the settings with one setting of an enclosure scaled, and in every stage it may be in."""

    def changed(limits: Limits) -> Limits:
        # A stage may have more than is ever proposed, and keeps it: nothing is told sooner than now.
        value = max(_value(limits, setting), _scaled(limits, setting, factor, most))
        return limits.but(delays=limits.delays.but(**{setting: value}))

    stages = {name: changed(limits) for name, limits in settings.stage_limits.items()}
    return replace(settings, enclosures={facts.name: replace(facts, limits=changed(facts.limits))}, stage_limits=stages)


def _proposal(
    facts: EnclosureFacts, kind: Kind, setting: str, value: float, now: Sequence[Excursion], then: Sequence[Excursion]
) -> Proposal:
    differences = compare(now, then)
    lost = [alarm for difference in differences for alarm in difference.disappeared]
    # `compare` counts seconds earlier: what is told later is below nought.
    later = [-seconds for difference in differences for seconds in difference.earlier_seconds if seconds < 0]
    return Proposal(
        facts.name, kind, setting, _value(facts.limits, setting), value, len(now), len(then), len(lost),
        max((alarm.cleared - alarm.raised for alarm in lost if alarm.cleared is not None), default=0),
        max(later, default=0),
    )  # fmt: skip


def _month(at: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at, zone):%Y-%m}"


def _months(start: int, end: int, zone: ZoneInfo) -> Iterable[tuple[str, int]]:
    """Yield (month, seconds of [start, end) in it)."""
    while True:
        local = datetime.fromtimestamp(start, zone)
        following = datetime(local.year + local.month // 12, local.month % 12 + 1, 1, tzinfo=zone)
        stop = min(end, int(following.timestamp()))
        yield f"{local:%Y-%m}", max(0, stop - start)
        if stop >= end:
            return
        start = stop
