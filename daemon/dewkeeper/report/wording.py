"""Numbers and states in words, once for terminal, page and messages.

Humidities are shown whole, temperatures to a tenth; durations in the two largest units. Times are local, and dates have
one form for people, "Wed 25 Nov", with the year after it where it may be another one: for programs, and where a person
types one, it is ISO 8601.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from dewkeeper.judge.rationale import ADDED, COOLED, LEFT, ROOM, WARMED
from dewkeeper.judge.types import Band, Event, Kind
from dewkeeper.judge.words import KINDS, LATCHED
from dewkeeper.report.due import say_day
from dewkeeper.report.model import EnclosureMorning, Mark, NightRow, NowValues, Rank, Standing
from dewkeeper_config.models import Config, Site

RANK_WORDS: dict[Rank, str] = {
    "urgent": "act now",
    "alarm": "see to it",
    "unwatched": "unwatched",
    "outside": "was beyond limits",  # a night of it has its own word: `went_words`
    "shelved": "shelved",
    "out_of_service": "out of service",
    "calm": "calm",
}
"""What a rank says beside its colour."""


_YEAR_SAID_SECONDS = 300 * 86400
"""So far from now a date without its year may be taken for another one."""
_ABOUT_SECONDS = 3 * 3600
_MOSTLY = 0.6
"""So much of a time, told to a quarter of an hour at both its ends, is called all of it. Common sense, no source."""
_PLAIN = str.maketrans("_.", "  ")
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


@dataclass(frozen=True, slots=True)
class Wording:
    """How this site wants numbers shown: its zone and its temperature unit.

    space: what stands between a number and its unit; on a page one that does not break. present: what the time is called
    that is told of: "then" where nothing is known of now.
    """

    zone: ZoneInfo
    fahrenheit: bool = False
    space: str = " "
    present: str = "now"

    @classmethod
    def of(cls, site: Site, space: str = " ") -> Wording:
        """Return the wording of a configured site."""
        return cls(ZoneInfo(site.timezone), site.units == "fahrenheit", space)

    @property
    def unit(self) -> str:
        """The temperature unit."""
        return "°F" if self.fahrenheit else "°C"

    def degrees(self, temperature_c: float) -> float:
        """Return a temperature in the site's unit."""
        return self.difference(temperature_c) + 32 if self.fahrenheit else temperature_c

    def difference(self, difference_c: float) -> float:
        """Return a difference of temperatures in the site's unit."""
        return difference_c * 1.8 if self.fahrenheit else difference_c

    def temperature(self, temperature_c: float | None) -> str:
        """Return "27.4 °C", or a dash for nothing."""
        if temperature_c is None:
            return "–"
        return f"{_tenths(self.degrees(temperature_c))}{self.space}{self.unit}"

    def day_temperature(self, temperature_c: float) -> str:
        """Return "30 °C" or "29.5 °C": a number that somebody set, as exact as it was set."""
        return f"{self.set_degrees(temperature_c)}{self.space}{self.unit}"

    def set_degrees(self, temperature_c: float) -> str:
        """Return the same without its unit."""
        return f"{round(self.degrees(temperature_c), 1):g}"

    def set_temperatures(self, low_c: float, high_c: float) -> str:
        """Return "24–34 °C": a range that somebody set, above nought."""
        return f"{self.set_degrees(low_c)}–{self.day_temperature(high_c)}"

    def humidity(self, percent: float | None) -> str:
        """Return "62 %", or a dash for nothing."""
        return "–" if percent is None else f"{round_half_up(percent)}{self.space}%"

    def humidities(self, lowest: Mark | None, highest: Mark | None) -> str:
        """Return "58–66 %", or a dash for nothing."""
        if lowest is None or highest is None:
            return "–"
        return self.humidity_range(lowest.value, highest.value)

    def humidity_range(self, low: float | None, high: float | None) -> str:
        """Return "58–66 %", "62 %" where both ends are shown alike, or a dash for nothing."""
        if low is None or high is None:
            return "–"
        first, last = round_half_up(low), round_half_up(high)
        return self.humidity(high) if first == last else f"{first}–{last}{self.space}%"

    def temperature_range(self, low_c: float | None, high_c: float | None) -> str:
        """Return "27.9–30.4 °C", "-1.5 to 2.0 °C" below nought, one number where both are shown alike, or a dash."""
        if low_c is None or high_c is None:
            return "–"
        first, last = _tenths(self.degrees(low_c)), _tenths(self.degrees(high_c))
        if first == last:
            return self.temperature(high_c)
        return f"{first}{' to ' if '-' in first + last else '–'}{last}{self.space}{self.unit}"

    def temperatures(self, lowest: Mark | None, highest: Mark | None) -> str:
        """Return "27.9–30.4 °C", or a dash for nothing."""
        if lowest is None or highest is None:
            return "–"
        return self.temperature_range(lowest.value, highest.value)

    def local(self, at: int) -> datetime:
        """Return an instant on the site's wall clock."""
        return datetime.fromtimestamp(at, self.zone)

    def clock(self, at: int, now: int | None = None) -> str:
        """Return "05:12", with the date before it when that is not today's (at `now`) or yesterday's night."""
        clock = f"{self.local(at):%H:%M}"
        # Within 20 hours a time of day is one moment only; nearer a day it could be taken for today's.
        return clock if now is None or abs(now - at) < 20 * 3600 else f"{self.day(at, now)} {clock}"

    def day(self, at: int, now: int | None = None) -> str:
        """Return "Wed 25 Nov"; with its year where that is most of a year away from `now`."""
        return say_day(self.local(at)) if now is None or abs(now - at) < _YEAR_SAID_SECONDS else self.date(at)

    def date(self, at: int) -> str:
        """Return "Wed 25 Nov 2026"."""
        return f"{say_day(self.local(at))} {self.local(at).year}"

    def within(self, at: int, seconds: int, now: int) -> str:
        """Return when something happened of which only the slice of time is known: "05:12", "05:00–08:00", or its days."""
        if seconds <= 15 * 60:
            return self.clock(at, now)
        end = min(at + seconds, now)
        if seconds < 12 * 3600:
            return f"{self.clock(at, now)}–{self.clock(end)}"
        first, last = self.day(at), self.day(end)
        return first if first == last else f"{first} to {last}"

    def stamp(self, at: int) -> str:
        """Return "Wed 25 Nov 2026 06:50": of a record, which may be read years later."""
        return f"{self.date(at)} {self.clock(at)}"

    def stood(self, alarm: Standing, now: int, *, about: bool = False) -> str:
        """Return since when an alarm stands; of what is over from when to when, where that is known.

        Of an enclosure that is not watched now it is told until its last reading: nothing is known of the hours after it.
        """
        if alarm.state == "returned_unacknowledged":
            began = self.clock(alarm.since, now)
            if alarm.ended is None:
                return f"began {began}"
            return f"{began}–{self.clock(alarm.ended, now)}, {self.lasting(alarm.ended - alarm.since)}"
        if alarm.known_until is not None:
            last = self.clock(alarm.known_until, now)
            return f"{self.clock(alarm.since, now)} until the last reading {last}, not read since"
        return self.since_about(alarm.since, now) if about else self.since(alarm.since, now)

    def since_about(self, at: int, now: int) -> str:
        """Return "since 02:14, 4 h": for a line that must stay short; below three hours minutes count."""
        parts = duration(now - at).split(" ")
        return f"since {self.clock(at, now)}, {self.space.join(parts if now - at < _ABOUT_SECONDS else parts[:2])}"

    def since(self, at: int, now: int) -> str:
        """Return "since 02:14, 4 h 36 min"."""
        return f"since {self.clock(at, now)}, {self.lasting(now - at)}"

    def lasting(self, seconds: float) -> str:
        """Return a length of time as `duration` does."""
        return duration(seconds).replace(" ", self.space)


def duration(seconds: float) -> str:
    """Return a length of time in its two largest units: "45 s", "12 min", "3 h 12 min", "2 d 4 h"; "a moment" for none."""
    # Cut, not rounded: an hour is said when it is over.
    whole = max(0, int(seconds))
    if whole < 1:
        return "a moment"
    if whole < 60:
        return f"{whole} s"
    minutes = whole // 60
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


@dataclass(frozen=True, slots=True)
class Spot:
    """Where an enclosure stands: its rack, the shelf of that, and the room."""

    rack: str
    shelf: int
    room: str


def whereabouts(house: Mapping[str, Spot], *, shelf: bool = True) -> dict[str, str]:
    """Return by enclosure of a house "rack left, shelf 2, attic": where somebody has to go; "" in one with a single rack.

    shelf: with it, where the rack has several.
    """
    shelves = {(spot.rack, spot.shelf) for spot in house.values()}
    racks, rooms = Counter(rack for rack, _ in shelves), {spot.room for spot in house.values()}
    found = {}
    for name, spot in house.items() if len(racks) > 1 else ():
        said = [spot.rack if "rack" in spot.rack.casefold() else f"rack {spot.rack}"]
        said += [f"shelf {spot.shelf}"] if shelf and racks[spot.rack] > 1 else []
        found[name] = ", ".join([*said, spot.room] if len(rooms) > 1 else said)
    return found


def places(config: Config) -> dict[str, str]:
    """Return the same of a configured house."""
    rooms = {rack.name: rack.room for rack in config.rack}
    return whereabouts({e.name: Spot(e.rack, e.shelf, rooms[e.rack]) for e in config.enclosure if e.rack in rooms})


def measured_by(row: NightRow, mark: Mark | NowValues) -> str:
    """Return " (PROBE)" where an enclosure has several judged probes, else nothing."""
    return f" ({mark.probe})" if len(row.judged) > 1 and mark.probe else ""


def outside_words(row: NightRow, wording: Wording) -> list[str]:
    """Return in words how a night went beyond its limits, heat first; nothing when it did not."""
    said, limits = [], row.limits
    if row.minutes_too_hot and row.temperature_max is not None:
        said.append(
            f"too hot {_how_long(row, row.minutes_too_hot, wording)}, up to {wording.temperature(row.temperature_max.value)}"
            f" {wording.clock(row.temperature_max.at)}{measured_by(row, row.temperature_max)}"
        )
    if row.minutes_too_cold and row.temperature_min is not None:
        said.append(
            f"too cold {_how_long(row, row.minutes_too_cold, wording)}, down to"
            f" {wording.temperature(row.temperature_min.value)} {wording.clock(row.temperature_min.at)}"
            f"{measured_by(row, row.temperature_min)}"
        )
    dry = row.humidity_min is not None and row.humidity_min.value < limits.target_low
    damp = row.humidity_max is not None and row.humidity_max.value > limits.target_high
    sides = " and ".join(word for word, holds in (("dry", dry), ("damp", damp)) if holds)
    if row.minutes_beyond_tolerable >= 1:
        said.append(f"too {sides} {_how_long(row, row.minutes_beyond_tolerable, wording)}")
    elif row.minutes_beyond_target >= 1:
        side = {"dry": "drier", "damp": "damper"}.get(sides, "drier and damper")
        said.append(f"{side} than target {_how_long(row, row.minutes_beyond_target, wording)}{_furthest(row, wording)}")
    referred = row.humidity_min_at_day_percent
    # What was too dry as it was need not be told as too dry by day besides.
    if referred is not None and referred < limits.tolerable_low and row.minutes_beyond_tolerable < 1:
        warm = wording.day_temperature(limits.day_temperature)
        said.append(f"would be too dry at {warm} ({wording.humidity(referred)})")
    return said


def _how_long(row: NightRow, minutes: float, wording: Wording) -> str:
    """Return "03:15–05:00", "on and off 03:15–05:00" where it was back inside for long meanwhile, "for 1 h" where no more is known."""
    if row.beyond is None:
        return f"for {wording.lasting(minutes * 60)}"
    first, last = row.beyond
    span = f"{wording.clock(first)}–{wording.clock(last)}"
    return span if 60 * minutes > _MOSTLY * (last - first) else f"on and off {span}"


def went_words(row: NightRow) -> str:
    """Return what a night was that went beyond something, in a word: beyond its limits, its target, or dry for how cool it was."""
    if row.minutes_too_hot or row.minutes_too_cold or row.minutes_beyond_tolerable >= 1:
        return "was beyond limits"
    return "was beyond target" if row.minutes_beyond_target >= 1 else "dry for its warmth"


def _furthest(row: NightRow, wording: Wording) -> str:
    """Return " (57 % instead of 60 %)": how far beyond target a night went, on the side on which it went further."""
    low, high, limits = row.humidity_min, row.humidity_max, row.limits
    below = 0.0 if low is None else limits.target_low - low.value
    above = 0.0 if high is None else high.value - limits.target_high
    # Less than half a per cent is shown as the limit itself, and would read as nonsense.
    if low is not None and below >= max(above, 0.5):
        return instead_of("dry", low.value, limits.target_low, wording)
    if high is not None and above >= 0.5:
        return instead_of("damp", high.value, limits.target_high, wording)
    return ""


def steps_apart(response: str) -> list[str]:
    """Return the steps of an advice: one line for one or two, of more each by itself, for nobody reads a paragraph at three at night."""
    steps = response.split("; ")
    return steps if len(steps) > 2 else [response]


def steps_below(response: str, indent: str = "") -> str:
    """Return the steps of an advice as lines of a text, to be put below what they are about; "" where one line says them."""
    apart = steps_apart(response)
    return "".join(f"\n{indent}– {step}" for step in apart) if len(apart) > 1 else ""


def first_steps(response: str, longest: int = 84) -> str:
    """Return the first steps of an advice, whole ones, as many as fit; an ellipsis says that there are more."""
    steps = response.split("; ")
    said = steps[0]
    for step in steps[1:]:
        if len(said) + 2 + len(step) > longest:
            return said + " …"
        said += "; " + step
    return said


def _tenths(value: float) -> str:
    """Return a number to a tenth; what rounds to nought has no sign."""
    return f"{round(value, 1) + 0.0:.1f}"


def round_half_up(value: float) -> int:
    """Round to whole numbers as people do: 62.5 is 63."""
    return int(value + 0.5) if value >= 0 else -int(-value + 0.5)


def beyond(kind: Kind, band: Band | None) -> str:
    """Return what a kind and band say: "too dry" beyond tolerable, "drier than target" beyond target."""
    if kind == "system":
        return "dewkeeper is in trouble"
    if band == "target":
        return {"dry": "drier than target", "damp": "damper than target"}.get(kind, KINDS[kind].label)
    return KINDS[kind].label


_CAUSES = {
    WARMED: "the air got warmer; the moisture is still there",
    COOLED: "the air got cooler, and no moisture came",
    LEFT: "moisture left the air",
    ADDED: "moisture came into the air",
    ROOM: "the room's air changed",
}


def cause_words(kind: str, cause: str) -> str:
    """Return the judge's name of a cause as a sentence says it; any other text as it is. kind: of the alarm it is the cause of."""
    if kind == "hot":
        return {WARMED: KINDS["hot"].cause, ROOM: "the room got hot"}.get(cause, cause)
    if kind == "cold":
        return {COOLED: KINDS["cold"].cause, ROOM: "the room got cold"}.get(cause, cause)
    return _CAUSES.get(cause, cause)


PAST_TENSE = {
    "raised": "began",
    "escalated": "got worse",
    "cleared": "is over",
    "shelved": "shelved",
    "unshelved": "back from the shelf",
    "out_of_service": "taken out of service",
    "in_service": "back in service",
    "annotated": "corrected afterwards",
}
"""Happenings worth a line among what changed; acknowledging and reminding are not."""


def worth_telling(events: Sequence[Event]) -> list[Event]:
    """Return the events worth a line, in their order; an annotation that came with the alarm's end says nothing more."""
    ended = {(event.alarm, event.time) for event in events if event.event == "cleared"}
    return [
        event
        for event in events
        if event.event in PAST_TENSE and not (event.event == "annotated" and (event.alarm, event.time) in ended)
    ]


def happened(event: Event, wording: Wording) -> str:
    """Return what an event says among what changed: "too dry: began", "setting changed: stage usual -> opaque"."""
    if event.kind == "system" and event.event == "annotated":  # how the judge logs a changed setting
        said = _setting(event.detail, wording)
    else:
        begins = event.event in ("raised", "escalated") and event.band == "target"
        number = instead_of(event.kind, event.value, event.limit, wording) if begins else ""
        said = f"{beyond(event.kind, event.band)}{number}: {PAST_TENSE[event.event]}"
    reason = ", ".join(part for part in (event.why, event.who) if part)
    return said + (f" ({reason.replace('->', '→')})" if reason else "")


def _setting(detail: Mapping[str, str | float | int], wording: Wording) -> str:
    if "out of service" in detail:
        return "taken out of service"
    if "in service" in detail:
        return "back in service"
    changes = [f"{name.translate(_PLAIN)} {_values(name, str(value), wording)}" for name, value in detail.items()]
    return f"setting changed: {'; '.join(changes)}" if changes else "setting changed"


def _values(name: str, text: str, wording: Wording) -> str:
    """Return "24.0 -> 25.0" of a temperature setting as "75.2 °F → 77 °F"; the log keeps °C and %RH without a unit."""

    def said(number: re.Match[str]) -> str:
        value = float(number.group())
        if "humidity" in name:
            return f"{value:g}{wording.space}%"
        if name.endswith("deadband"):  # a difference: no zero to shift
            return f"{wording.difference(value):.3g}{wording.space}{wording.unit}"
        return f"{wording.degrees(value):.4g}{wording.space}{wording.unit}"

    told = _NUMBER.sub(said, text) if "humidity" in name or "temperature" in name else text
    return told.replace("->", "→")


def rank_word(row: EnclosureMorning) -> str:
    """Return the word of an enclosure's rank; of one that was not watched and is again, in the past."""
    if row.rank == "outside":
        return went_words(row)
    if row.rank == "unwatched" and not row.unwatched.now:
        return "was unwatched"
    return "look now" if harmed(row) else RANK_WORDS[row.rank]


def harmed(row: EnclosureMorning) -> bool:
    """Return whether heat that is over, and that nobody has seen, comes first there: the snake is to be looked at now."""
    return bool(row.alarms) and heat_unseen(row.alarms[0].kind, row.alarms[0].state)


def heat_unseen(kind: str, state: str) -> bool:
    """Return whether an alarm is of a heat that is over and that nobody has seen."""
    return kind in LATCHED and state == "returned_unacknowledged"


def limit_words(kind: Kind, band: Band | None, limit: float, wording: Wording, *, danger: bool = False) -> str:
    """Return what a limit is, and how much: "limit 34 °C", "danger 38 °C", "target from 60 %". limit: °C or %RH, as the kind has it."""
    if kind in ("dry", "damp"):
        what = "limit" if band != "target" else "target from" if kind == "dry" else "target up to"
        return f"{what} {wording.humidity(limit)}"
    return f"{'danger' if danger else 'limit'} {wording.day_temperature(limit)}"


def instead_of(kind: Kind, percent: float | None, limit: float | None, wording: Wording) -> str:
    """Return " (58 % instead of 60 %)" of humidity beyond its target, "" where that is not known or it is back there."""
    if kind not in ("dry", "damp") or percent is None or limit is None:
        return ""
    if (percent < limit) is not (kind == "dry"):
        return f" (now {wording.humidity(percent)}, target reached)"
    return f" ({wording.humidity(percent)} instead of {wording.humidity(limit)})"
