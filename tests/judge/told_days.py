"""Days of a small rack for the one property that must never fail: what was true, what the probes read, what must be told.

This is not the judge's idea of physics, nor any: what is true is a level in °C and one in %RH that go to where they are
sent with a lag of their own, under a sine for a thermostat. What a probe reads is the air of the place where it lies,
changed by what befell it there. Vapour, water and heat know nothing of each other here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random

from tests.judge.judge_desk import START, rack

from dewkeeper.judge import Judge
from dewkeeper.judge.types import Event, JournalEntry, Reading, Settings
from dewkeeper.judge.words import JOURNAL
from dewkeeper_config.models import Limits

TUBS = ("B1", "B2", "B3")
ROOM = 3
"""The room's place among the airs and its probe's among the probes, after the tubs'."""
LIMITS = Limits()
WORDS = tuple(sorted(what for what, word in JOURNAL.items() if word.stage is None and not word.ends))
"""Journal words that change no limits."""
_DOUBT_SECONDS = {"dry": 12 * 3600, "damp": 24 * 3600, "cold": 3600}
"""So long at most a doubt may put off what is beyond tolerable, as DEVELOPERS.md says (What the judge holds back); on purpose not the judge's own figures."""
_CLEAR_PERCENT, _CLEAR_C = 0.5, 0.2
"""What must be told lies beyond its limit by so much, by what is true and by what is read."""
_SPARE_POLLS = 4


@dataclass(frozen=True)
class Air:
    """From `start` on, for so many minutes, the air of a place goes to these levels with a lag; None: it stays what it was."""

    place: int
    start: int
    minutes: int
    celsius: float | None
    percent: float | None
    lag_minutes: float


@dataclass(frozen=True)
class Misfortune:
    """What befalls a probe from `start` on for so many minutes: `wet`, `out`, `exchanged` with the next, `lamp`, `offset`, `silent`."""

    probe: int
    start: int
    minutes: int
    what: str
    size: float = 1.0


@dataclass(frozen=True)
class Deed:
    """Something written down of a tub, true or not."""

    tub: int
    minute: int
    word: str


@dataclass(frozen=True)
class Days:
    """All that happens, and how it is looked at."""

    minutes: int
    poll_seconds: int
    room_probe: bool
    levels: tuple[tuple[float, float], ...]
    swing_c: float
    period_minutes: int
    airs: tuple[Air, ...]
    misfortunes: tuple[Misfortune, ...]
    deeds: tuple[Deed, ...]
    noise_seed: int


@dataclass
class Seen:
    """One poll: the truth of every place, and what every probe read (None: nothing) and whose air that was."""

    time: int
    truth: list[tuple[float, float]]
    read: list[tuple[float, float] | None]
    place_of: list[int]


def polls(days: Days) -> list[Seen]:
    """Return every poll of these days."""
    chance = Random(days.noise_seed)
    level = [list(pair) for pair in days.levels]
    found = []
    step = days.poll_seconds / 60
    for n in range(1, int(days.minutes / step) + 1):
        minute = n * step
        truth = []
        for place, home in enumerate(days.levels):
            wanted, lag = list(home), 20.0
            for air in days.airs:
                if air.place == place and air.start <= minute < air.start + air.minutes:
                    wanted = [
                        w if new is None else new for w, new in zip(wanted, (air.celsius, air.percent), strict=True)
                    ]
                    lag = air.lag_minutes
            share = 1 - math.exp(-step / lag)
            for i in (0, 1):
                level[place][i] += share * (wanted[i] - level[place][i])
            swing = (
                0.0 if place == ROOM else days.swing_c * math.sin(2 * math.pi * minute / days.period_minutes + place)
            )
            truth.append((level[place][0] + swing, min(100.0, max(1.0, level[place][1] - 2 * swing))))
        place_of, read = list(range(len(truth))), []
        for fate in days.misfortunes:
            if fate.what == "exchanged" and fate.start <= minute < fate.start + fate.minutes:
                a, b = fate.probe, (fate.probe + 1) % len(TUBS)
                place_of[a], place_of[b] = place_of[b], place_of[a]
        for probe, place in enumerate(place_of):
            read.append(_read(days, probe, truth[place], truth[ROOM], minute, chance))
        found.append(Seen(START + round(60 * minute), truth, read, place_of))
    return found


def _read(
    days: Days, probe: int, air: tuple[float, float], room: tuple[float, float], minute: float, chance: Random
) -> tuple[float, float] | None:
    t, h = air
    for fate in days.misfortunes:
        since = minute - fate.start
        if fate.probe != probe or not 0 <= since < fate.minutes:
            continue
        if fate.what == "silent":
            return None
        if fate.what == "out":
            near = math.exp(-since / 3)
            t, h = room[0] + near * (t - room[0]), room[1] + near * (h - room[1])
        elif fate.what == "wet":
            t, h = t - fate.size * math.exp(-since / 60), 99.8
        elif fate.what == "lamp":
            t, h = t + 5 * fate.size, h * 0.95 ** (5 * fate.size)
        elif fate.what == "offset":
            h += 12 * (fate.size - 1.5) * min(1.0, since / 120)
    h = min(100.0, max(1.0, h + chance.gauss(0, 0.03)))
    return t + chance.gauss(0, 0.015), h


class Watched:
    """A judge over these days: what stood, told, at each poll."""

    def __init__(self, days: Days) -> None:
        self.days = days
        self.seen = polls(days)
        self.events: list[Event] = []
        self.standing: list[frozenset[tuple[str, str]]] = []  # (kind, enclosure named)
        self.settings: Settings = rack(TUBS, poll_seconds=days.poll_seconds, room=days.room_probe)
        self._run()

    def _run(self) -> None:
        judge = Judge()
        judge.feed(self.settings)
        deeds = sorted(self.days.deeds, key=lambda deed: deed.minute)
        stand: dict[str, frozenset[tuple[str, str]]] = {}
        for seen in self.seen:
            new: list[Event] = []
            while deeds and START + 60 * deeds[0].minute <= seen.time:
                deed = deeds.pop(0)
                entry = JournalEntry(f"{deed}", START + 60 * deed.minute, TUBS[deed.tub], deed.word)
                new += judge.feed(entry).events
            for probe, values in enumerate(seen.read):
                if probe == ROOM and not self.days.room_probe:
                    continue
                name = "air" if probe == ROOM else f"p{probe + 1}"
                t, h = values if values is not None else (None, None)
                new += judge.feed(
                    Reading(seen.time, name, t, h, failure=None if values is not None else "missing")
                ).events
            for event in new:
                if event.event in ("raised", "escalated", "unsuppressed", "reminded") and event.band in (
                    None,
                    "tolerable",
                ):
                    named = [str(place) for place in (event.enclosure, event.detail.get("or")) if place]
                    stand[event.alarm] = frozenset((event.kind, place) for place in named)
                elif event.event == "cleared" or (event.event == "annotated" and event.band == "target"):
                    stand.pop(event.alarm, None)
            self.events += new
            self.standing.append(frozenset().union(*stand.values()))

    def untold(self) -> list[str]:
        """Return every promise that was broken, in words."""
        found = self._cleared_while_hot()
        for probe in range(len(TUBS)):
            found += self._heat(probe)
            for kind in ("dry", "damp", "cold"):
                found += self._beyond(probe, kind)
        return found

    def _cleared_while_hot(self) -> list[str]:
        at = {seen.time: seen for seen in self.seen}
        found = []
        for event in self.events:
            if event.kind != "hot" or event.event != "cleared" or event.enclosure is None:
                continue
            values = at[event.time].read[TUBS.index(event.enclosure)] if event.time in at else None
            if values is None or values[0] > LIMITS.temperature_tolerable.high:
                found.append(f"hot of {event.enclosure} cleared at {_minute(event.time)} while it read {values}")
        return found

    def _heat(self, probe: int) -> list[str]:
        """Two readings in a row above the limit that agree within 3 °C: heat stands, whoever's it is, whatever they are taken for."""
        limit = LIMITS.temperature_tolerable.high
        before: tuple[float, float] | None = None
        for n, seen in enumerate(self.seen):
            now = seen.read[probe]
            hot = (
                now is not None
                and before is not None
                and min(now[0], before[0]) > limit
                and abs(now[0] - before[0]) <= 3
            )
            if hot and ("hot", TUBS[probe]) not in self.standing[n]:
                return [f"hot of {TUBS[probe]} not told at {_minute(seen.time)}: {before} and {now}"]
            before = now
        return []

    def _beyond(self, probe: int, kind: str) -> list[str]:
        """Truly beyond tolerable, and read so: told at the end of on-delay and bound, of the place or of the probe's own."""
        delays = LIMITS.delays
        wait = _DOUBT_SECONDS[kind] + 60 * {
            "dry": delays.dry_tolerable_minutes, "damp": delays.damp_tolerable_minutes, "cold": delays.cold_minutes,
        }[kind]  # fmt: skip
        since: int | None = None
        place = probe
        for n, seen in enumerate(self.seen):
            values = seen.read[probe]
            beyond = (
                values is not None and _is_beyond(kind, values) and _is_beyond(kind, seen.truth[seen.place_of[probe]])
            )
            if not beyond or seen.place_of[probe] != place:
                since = None
            place = seen.place_of[probe]
            if not beyond:
                continue
            since = seen.time if since is None else since
            due = max(since + wait, self._said_until(probe, kind, since) + _DOUBT_SECONDS[kind])
            if seen.time >= due + _SPARE_POLLS * self.days.poll_seconds:
                named = {TUBS[probe], TUBS[place]} if place < len(TUBS) else {TUBS[probe]}
                if not any((kind, name) in self.standing[n] for name in named):
                    return [f"{kind} of {named} since {_minute(since)} not told at {_minute(seen.time)}: {values}"]
        return []

    def _said_until(self, probe: int, kind: str, since: int) -> int:
        """Return when the last of the keeper's words that the probe is out, written when it began, is over."""
        ends = [0]
        for deed in self.days.deeds:
            word, at = JOURNAL[deed.word], START + 60 * deed.minute
            if (
                deed.tub == probe
                and word.long
                and word.probe
                and kind in word.suppresses
                and at - 900 <= since + self.days.poll_seconds
            ):
                ends.append(at + word.seconds if since < at + word.seconds else 0)
        return max(ends)


def _is_beyond(kind: str, air: tuple[float, float]) -> bool:
    t, h = air
    wet, warm = LIMITS.humidity_tolerable, LIMITS.temperature_tolerable
    if kind == "dry":
        return h < wet.low - _CLEAR_PERCENT
    return h > wet.high + _CLEAR_PERCENT if kind == "damp" else t < warm.low - _CLEAR_C


def _minute(time: int) -> str:
    minute = (time - START) // 60
    return f"day {minute // 1440} {minute // 60 % 24:02d}:{minute % 60:02d} (minute {minute})"


def broken(days: Days) -> Sequence[str]:
    """Return every promise broken on these days."""
    return Watched(days).untold()
