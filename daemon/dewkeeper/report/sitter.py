"""The sitter's sheet, and what happened while the keeper was away.

A sitter does two things at most at an enclosure on a day, and nothing that takes a snake out: of the round only water is
theirs. The rest waits for the keeper.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from dewkeeper.judge.types import Event, JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.contract import Past
from dewkeeper.report.due import ServiceRound
from dewkeeper.report.model import EnclosureMorning, to_plain
from dewkeeper.report.watching import due_seconds
from dewkeeper.report.wording import Wording, happened, worth_telling
from dewkeeper_config.models import Config

WATER: Final = ("refilled", "misted")
"""Journal words a sitter may do."""
MOST_ACTIONS: Final = 2
_REMARKS: Final = {"opaque": "Its eyes are grey and its skin is dull: it will shed soon. Leave it in peace.",
                    "egg_box": "Eggs: leave the lid closed.",
                    "quarantine": "Go there last, and wash your hands before and after."}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SitterRow:
    """One enclosure on the sheet.

    wanted: journal words of what is due today; normal: what the sitter may expect to read; remark: what is special here.
    served: whether the sitter is to do anything there at all.
    """

    row: EnclosureMorning
    animals: tuple[str, ...]
    wanted: tuple[str, ...]
    normal: str
    remark: str
    served: bool = True


def sitter_rows(
    rows: Sequence[EnclosureMorning], made: ServiceRound, animals: Mapping[str, Sequence[str]], wording: Wording
) -> list[SitterRow]:
    """Return the enclosures as the sitter serves them: those with an alarm first, then in the order of service.

    animals: enclosure -> names of who lives there.
    """
    serving = {place.enclosure: place.serving for place in made.places}
    due: dict[str | None, list[str]] = {}
    for one in made.due:
        if one.kind in ("bowl", "air"):
            words = due.setdefault(one.enclosure, [])
            words += [tap.what for tap in one.taps if tap.what in WATER and tap.what not in words]
    found = []
    for row in rows:
        low, high = row.limits.temperature_low, row.limits.temperature_high
        normal = (
            f"humidity {row.limits.target_low:.0f}–{wording.humidity(row.limits.target_high)}, "
            f"temperature {wording.set_temperatures(low, high)}"
        )
        served = row.rank != "out_of_service" and serving.get(row.enclosure) != "eggs"
        special = {"quarantine": "quarantine", "eggs": "egg_box"}.get(serving.get(row.enclosure, ""), row.stage)
        wanted = tuple(due.get(row.enclosure, ())[:MOST_ACTIONS]) if served else ()
        living = tuple(animals.get(row.enclosure, ()))
        found.append(SitterRow(row, living, wanted, normal, _REMARKS.get(special, ""), served))
    return sorted(
        found,
        key=lambda one: (
            one.row.rank not in ("urgent", "alarm"),
            serving.get(one.row.enclosure) == "quarantine",
        ),
    )


@dataclass(frozen=True, slots=True)
class WhileAway:
    """What happened from `start` to `end` (UTC seconds): deeds by day, alarms, and for how long each enclosure was unwatched.

    watched_from: when the first daemon ever ran, `start` if that was before it, `end` if none did.
    """

    start: int
    end: int
    deeds: Sequence[JournalEntry]
    told: Sequence[Event]
    unwatched_seconds: dict[str, int]
    watched_from: int

    def watching(self, wording: Wording) -> list[str]:
        """Return what is to be said of all enclosures: that nothing was started yet, and that all were watched since, if they were."""
        if self.watched_from >= self.end:
            return ["dewkeeper was not started yet"]
        late = self.watched_from > self.start
        said = [f"before {wording.stamp(self.watched_from)} dewkeeper was not started yet"] if late else []
        if not self.unwatched_seconds:
            said.append(f"nothing{' since' if late else ''}: every enclosure was watched, but for an hour at most")
        return said

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "since": to_plain(self.start, "since"),
            "until": to_plain(self.end, "until"),
            "deeds": [to_plain(entry) for entry in self.deeds],
            "alarms": [to_plain(event) for event in self.told],
            "unwatched_seconds": self.unwatched_seconds,
            "watched_from": to_plain(self.watched_from, "since"),
        }


@dataclass(frozen=True, slots=True)
class DayDeed:
    """One thing that one person did on one day, and at which enclosures."""

    label: str
    who: str
    places: list[str]


def by_day(deeds: Sequence[JournalEntry], wording: Wording) -> dict[str, list[DayDeed]]:
    """Return what was done by local day, what is alike together: a fortnight of forty tubs is then one screen."""
    found: dict[str, dict[tuple[str, str], DayDeed]] = {}
    for entry in deeds:
        label = JOURNAL[entry.what].label if entry.what in JOURNAL else entry.what
        label += f", {entry.detail}" if entry.detail else ""
        alike = found.setdefault(wording.day(entry.time), {})
        one = alike.setdefault((label, entry.who), DayDeed(label, entry.who, []))
        place = entry.enclosure or "everywhere"
        if place not in one.places:
            one.places.append(place)
    return {day: list(alike.values()) for day, alike in found.items()}


LEAST_UNWATCHED_SECONDS: Final = 3600


def while_away(past: Past, config: Config, start: int, end: int) -> WhileAway:
    """Return what happened meanwhile. Raises StoreError."""
    sums, in_force = past.nights(start, end), past.in_force()
    began = in_force.began
    lost = {
        e.name: round(due_seconds(in_force, e.name, start, end) - sums[e.name].watched_seconds)
        for e in config.enclosure
        if e.name in sums
    }
    return WhileAway(
        start,
        end,
        [entry for entry in past.journal(start) if entry.time <= end and entry.what != "not_today"],
        [e for e in worth_telling(past.events(start)) if e.time <= end and e.kind != "system"],
        {name: seconds for name, seconds in lost.items() if seconds >= LEAST_UNWATCHED_SECONDS},
        min(end, max(start, began if began is not None else end)),
    )


def away_lines(made: WhileAway, wording: Wording) -> list[str]:
    """Return it as lines: alarms first, then what was done, by day, then what nobody watched."""
    lines = [f"From {wording.day(made.start)} to {wording.day(made.end)}", "", "Alarms"]
    lines += [f"  {wording.clock(e.time, made.end)} {happened(e, wording)}" for e in made.told] or ["  none"]
    lines += ["", "Done"]
    for day, done in by_day(made.deeds, wording).items():
        lines.append(f"  {day}")
        lines += [f"    {one.label}: {', '.join(one.places)}{f' ({one.who})' if one.who else ''}" for one in done]
    lines += [] if made.deeds else ["  nothing was written down"]
    lines += ["", "Not watched"]
    lines += [f"  {name}: {wording.lasting(seconds)}" for name, seconds in made.unwatched_seconds.items()]
    return lines + [f"  {said}" for said in made.watching(wording)]
