"""The alarms themselves, month by month: which told too much, and what another deadband or delay would have changed.

Counts come from the stored events; every proposal is a replay of the same readings through the same judge with that one
setting changed, so the numbers beside it are what it would have told.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Any

from dewkeeper.judge.types import Event, Item, Settings
from dewkeeper.report.replaying import Excursion, excursions, replay_items

CHATTER_SECONDS = 3 * 3600
FLEETING_SECONDS = 20 * 60
STALE_SECONDS = 24 * 3600
WORST = 5
"""So many offenders get proposals."""

Stream = Callable[[], Iterable[Item]]


@dataclass(slots=True)
class Line:
    """One enclosure in one month. standing_seconds is the time its alarms stood; the rest are counts."""

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
class Proposal:
    """One setting of one enclosure changed, and what replay says it does to its alarms of that kind."""

    enclosure: str
    kind: str
    setting: str
    now: float
    proposed: float
    alarms_now: int
    alarms_proposed: int
    latest_seconds: int

    def sentence(self) -> str:
        """Say it."""
        return (
            f"{self.enclosure}: {self.setting} {self.now:g} -> {self.proposed:g}: {self.alarms_now} `{self.kind}` alarms "
            f"would have been {self.alarms_proposed}, the first of each told up to {self.latest_seconds // 60} min later"
        )


def by_month(events: Sequence[Event], until: int) -> list[Line]:
    """Return the counts per month and enclosure; alarms still standing count up to `until` (stored seconds)."""
    acknowledged = {event.alarm for event in events if event.event == "acknowledged"}
    lines: dict[tuple[str, str], Line] = {}
    last_cleared: dict[tuple[str, str], int] = {}
    for alarm in excursions(events):
        month = datetime.fromtimestamp(alarm.raised, UTC).strftime("%Y-%m")
        line = lines.setdefault((month, alarm.place), Line(month, alarm.place))
        end = until if alarm.cleared is None else alarm.cleared
        stood = max(0, end - alarm.raised)
        key = (alarm.place, alarm.kind)
        line.raised += 1
        line.urgent += alarm.priority == "urgent"
        line.medium += alarm.priority == "medium"
        line.low += alarm.priority == "low"
        line.standing_seconds += stood
        line.chattering += key in last_cleared and alarm.raised - last_cleared[key] < CHATTER_SECONDS
        line.fleeting += alarm.cleared is not None and stood < FLEETING_SECONDS
        line.stale += stood > STALE_SECONDS
        line.never_acknowledged += alarm.alarm not in acknowledged
        last_cleared[key] = end
    return sorted(lines.values(), key=lambda line: (line.month, -line.raised, line.enclosure))


def proposals(settings: Settings, stream: Stream) -> list[Proposal]:
    """Return, for the worst offenders, the one change that helps most. `stream` gives the stored items anew each time."""
    now = excursions(replay_items(settings, stream()))
    counts: dict[tuple[str, str], list[Excursion]] = defaultdict(list)
    for alarm in now:
        if alarm.kind in _SETTINGS and alarm.place in settings.enclosures:
            counts[(alarm.place, alarm.kind)].append(alarm)
    worst = sorted((key for key in counts if len(counts[key]) >= 3), key=lambda key: -len(counts[key]))[:WORST]
    return [best for key in worst if (best := _best(settings, stream, key, counts[key])) is not None]


_SETTINGS: dict[str, tuple[tuple[str, float, float], ...]] = {
    "dry": (("humidity_deadband", 2.0, 20.0), ("dry_target_minutes", 2.0, 4320), ("dry_tolerable_minutes", 1.5, 1440)),
    "damp": (("humidity_deadband", 2.0, 20.0), ("damp_target_minutes", 1.5, 10080), ("damp_tolerable_minutes", 1.5, 4320)),
    "cold": (("temperature_deadband", 2.0, 5.0), ("cold_minutes", 1.5, 720)),
    "hot": (("temperature_deadband", 2.0, 5.0),),  # heat is told at once: only its end may be made calmer
}
"""Kind -> (setting, factor, most allowed). Delays of heat are never proposed."""


def _best(settings: Settings, stream: Stream, key: tuple[str, str], now: Sequence[Excursion]) -> Proposal | None:
    place, kind = key
    found: list[Proposal] = []
    for setting, factor, most in _SETTINGS[kind]:
        facts = settings.enclosures[place]
        value = float(getattr(facts.limits.delays, setting))
        proposed = min(most, max(value * factor, 0.5))
        if proposed <= value:
            continue
        delays = facts.limits.delays.model_copy(update={setting: proposed})
        changed = replace(facts, limits=facts.limits.model_copy(update={"delays": delays}))
        alone = replace(settings, enclosures={**settings.enclosures, place: changed})
        told = [a for a in excursions(replay_items(alone, stream())) if (a.place, a.kind) == key]
        found.append(Proposal(place, kind, setting, value, proposed, len(now), len(told), _latest(now, told)))
    helps = [p for p in found if p.alarms_proposed < p.alarms_now]
    return min(helps, key=lambda p: (p.alarms_proposed, p.latest_seconds), default=None)


def _latest(now: Sequence[Excursion], then: Sequence[Excursion]) -> int:
    pairs = ((a, b) for a in now for b in then if b.since <= a.raised and (b.cleared is None or b.cleared >= a.raised))
    return max((b.raised - a.raised for a, b in pairs if b.raised > a.raised), default=0)
