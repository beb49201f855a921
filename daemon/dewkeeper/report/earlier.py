"""A night that is over, as it is told later: in the past tense, and by the limits, probes and stages of then.

Nothing in it is of now: no alarm stands, no advice is given. What is told of an enclosure is what was measured, how long
it was beyond its limits or unwatched, and which alarms there were, each with its own times.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, Literal

from dewkeeper.air import referred_humidity
from dewkeeper.judge.types import Band, Event, Kind
from dewkeeper.judge.words import FAULTS, FORECASTS
from dewkeeper.report.contract import NightSums, Past
from dewkeeper.report.model import UNWATCHED_MINUTES, Limiting, Mark, to_plain
from dewkeeper.report.morning import limiting
from dewkeeper.report.nights import Night, night_of, night_to_show
from dewkeeper.report.watching import due_seconds, stale_after
from dewkeeper.report.wording import Wording, beyond, outside_words, went_words
from dewkeeper.store.in_force import InForce
from dewkeeper_config.models import Config, Enclosure, Limits
from dewkeeper_config.profiles import effective_limits

NightRank = Literal["urgent", "alarm", "unwatched", "outside", "nothing", "out_of_service", "calm"]
NIGHT_WORDS: Final[Mapping[NightRank, str]] = {
    "urgent": "was urgent",
    "alarm": "had an alarm",
    "unwatched": "was unwatched for a time",
    "outside": "was beyond limits",
    "nothing": "was not watched",
    "out_of_service": "was out of service",
    "calm": "was calm",
}
"""What an enclosure was in a night that is over, the gravest first."""
_ORDER: Final = tuple(NIGHT_WORDS)
_BEFORE_SECONDS: Final = 31 * 86400
"""So long before a night an alarm may have begun that stood in it; what began earlier is not known to it."""


@dataclass(frozen=True, slots=True)
class Stood:
    """An alarm that stood in a night: from when, until when (UTC seconds; None: longer than the night), and how grave it got."""

    kind: Kind
    band: Band | None
    urgent: bool
    since: int
    until: int | None

    def words(self, wording: Wording, end: int) -> str:
        """Return "too dry 02:10–05:40", or "too dry from 02:10 on". end: of the night, UTC seconds."""
        said = beyond(self.kind, self.band)
        if self.until is None:
            return f"{said} from {wording.clock(self.since, end)} on"
        return f"{said} {wording.clock(self.since, end)}–{wording.clock(self.until, end)}"


@dataclass(frozen=True, slots=True)
class EnclosureNight:
    """One enclosure's night that is over. Humidities %RH, temperatures °C; limits and stage as they were at its end."""

    enclosure: str
    rank: NightRank
    limits: Limiting
    stage: str
    humidity_min: Mark | None
    humidity_min_at_day_percent: float | None
    humidity_max: Mark | None
    temperature_min: Mark | None
    temperature_max: Mark | None
    minutes_beyond_target: float
    minutes_beyond_tolerable: float
    minutes_too_hot: float
    minutes_too_cold: float
    minutes_unwatched: float
    dose_percent_hours: float
    stood: tuple[Stood, ...]
    judged: tuple[str, ...]

    @property
    def word(self) -> str:
        """What it was, in a word."""
        return went_words(self) if self.rank == "outside" else NIGHT_WORDS[self.rank]

    @property
    def beyond(self) -> None:
        """Not asked: its alarms say from when to when."""

    @property
    def now(self) -> None:
        """No value of it is one of now; the small curves ask."""

    @property
    def alarms(self) -> tuple[Stood, ...]:
        """What stood, the gravest first; the small curves ask whether it was about heat."""
        return self.stood

    def words(self, wording: Wording, end: int) -> list[str]:
        """Return what there was to tell of it, alarms first; nothing of a calm night. end: of the night, UTC seconds."""
        said = [stood.words(wording, end) for stood in self.stood]
        if not said and self.rank == "outside":
            said += outside_words(self, wording)[:1]
        if self.minutes_unwatched >= 1 and self.rank not in ("nothing", "out_of_service"):
            said.append(f"unwatched for {wording.lasting(self.minutes_unwatched * 60)}")
        return said


@dataclass(frozen=True, slots=True)
class EarlierNight:
    """A night that is over, the gravest enclosure first. night_start, night_end: UTC seconds."""

    site: str
    timezone: str
    night: date
    night_start: int
    night_end: int
    enclosures: tuple[EnclosureNight, ...]

    def sentence(self) -> str:
        """Return one true sentence with counts; each enclosure is counted once."""
        found = Counter(row.word for row in sorted(self.enclosures, key=lambda row: _ORDER.index(row.rank)))
        parts = [_counted(count, word) for word, count in found.items()]
        return ", ".join(parts)

    def to_json(self) -> dict[str, Any]:
        """Return the night as JSON values; times become ISO 8601 text in UTC."""
        plain: dict[str, Any] = to_plain(self)
        return plain


def newest_night(config: Config, now: int) -> date:
    """Return the local date on which the newest night ends that is over at `now` (UTC seconds)."""
    night = night_to_show(config.site, now)
    return night.day if night.end <= now else date.fromordinal(night.day.toordinal() - 1)


def earlier_night(history: Past, config: Config, day: date, now: int) -> EarlierNight:
    """Return the night that ended on a local date. now: UTC seconds.

    Raises ValueError for a night before 1970 or one that is not over yet, StoreError when the store cannot be read.
    """
    # A calendar has a first day, before which there is no evening, and no night to go back to.
    if day.year < 1970:
        raise ValueError("nothing was measured before 1970")
    if day > newest_night(config, now):
        raise ValueError("that night is not over yet")
    wording = Wording.of(config.site)
    night = night_of(day, config.site.night_start, config.site.night_end, wording.zone)
    in_force = history.in_force()
    sums = history.nights(night.start, night.end)
    stood: dict[str, list[Stood]] = {}
    for name, one in _stood(history.events(night.start - _BEFORE_SECONDS, until=night.end), night):
        stood.setdefault(name, []).append(one)
    rows = [
        _row(e, config, night, in_force, sums.get(e.name, NightSums()), stood.get(e.name, ())) for e in config.enclosure
    ]
    rows.sort(key=lambda row: (_ORDER.index(row.rank), -row.dose_percent_hours))
    return EarlierNight(config.site.name, config.site.timezone, day, night.start, night.end, tuple(rows))


def _row(
    enclosure: Enclosure, config: Config, night: Night, in_force: InForce, sums: NightSums, stood: Sequence[Stood]
) -> EnclosureNight:
    # What changed at its end is of the day after.
    name, last = enclosure.name, night.end - 1
    limits = in_force.limits(name, last) or effective_limits(config, name)
    due = due_seconds(in_force, name, night.start, night.end)
    lost = max(0.0, due - sums.watched_seconds)
    lost = lost if lost > stale_after(config) else 0.0  # a gap of up to three polls is no break
    beyond_minutes = (sums.beyond_target_seconds / 60, sums.beyond_tolerable_seconds / 60)
    # The sums do not say on which side it was: dryness, which harms sooner, lends its delays.
    outside = (
        beyond_minutes[1] >= limits.delays.dry_tolerable_minutes
        or beyond_minutes[0] >= limits.delays.dry_target_minutes
        or bool(sums.too_hot_seconds or sums.too_cold_seconds)
    )
    rank: NightRank = "calm"
    if any(one.urgent for one in stood):
        rank = "urgent"
    elif any(one.kind not in FAULTS for one in stood):
        rank = "alarm"
    elif not due:
        rested = in_force.out_of_service_seconds(name, night.start, night.end)
        rank = "out_of_service" if rested else "nothing"
    elif not sums.watched_seconds:
        rank = "nothing"
    elif stood or lost / 60 >= UNWATCHED_MINUTES:
        rank = "unwatched"
    elif outside:
        rank = "outside"
    return EnclosureNight(
        enclosure=name, rank=rank, limits=limiting(limits), stage=in_force.stage(name, last)[0] or enclosure.profile,
        humidity_min=sums.humidity_min, humidity_min_at_day_percent=_at_day(sums, limits), humidity_max=sums.humidity_max,
        temperature_min=sums.temperature_min, temperature_max=sums.temperature_max,
        minutes_beyond_target=beyond_minutes[0], minutes_beyond_tolerable=beyond_minutes[1],
        minutes_too_hot=sums.too_hot_seconds / 60, minutes_too_cold=sums.too_cold_seconds / 60,
        minutes_unwatched=lost / 60, dose_percent_hours=sums.dose_percent_hours,
        stood=tuple(sorted(stood, key=lambda one: (not one.urgent, one.kind in FAULTS, one.since))),
        judged=in_force.judged(name, last),
    )  # fmt: skip


def _at_day(sums: NightSums, limits: Limits) -> float | None:
    if sums.humidity_min is None or sums.humidity_min_temperature_c is None:
        return None
    return referred_humidity(sums.humidity_min.value, sums.humidity_min_temperature_c, limits.day_temperature)


def _stood(events: Sequence[Event], night: Night) -> list[tuple[str, Stood]]:
    """Return (enclosure, alarm) of what stood in a night, in the order it began."""
    found: dict[str, tuple[str, Stood]] = {}
    for event in events:
        if event.enclosure is None or event.kind in FORECASTS:  # what was to come has come, or not
            continue
        known = found.get(event.alarm)
        if event.event in ("raised", "escalated"):
            # From when it began, not from when it got worse.
            since = known[1].since if known else event.since
            band = "tolerable" if known and known[1].band == "tolerable" else event.band
            urgent = event.priority == "urgent" or (known is not None and known[1].urgent)
            found[event.alarm] = (event.enclosure, Stood(event.kind, band, urgent, since, None))
        elif event.event == "cleared" and known is not None and known[1].until is None:
            one = known[1]
            found[event.alarm] = (event.enclosure, Stood(one.kind, one.band, one.urgent, one.since, event.time))
    return [(name, one) for name, one in found.values() if one.until is None or one.until > night.start]


def _counted(count: int, words: str) -> str:
    if count > 1:
        words = words.replace("was ", "were ", 1)
    return f"{count} {words}"
