"""One page about one animal, for an exotics vet: what was measured, what was seen, what was done. No diagnosis.

What the probes say is told beside a sign, because a sign that does not fit the numbers is a reason to doubt the probe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from dewkeeper.judge.types import JournalEntry
from dewkeeper.judge.words import JOURNAL
from dewkeeper.report.animals import Animal
from dewkeeper.report.contract import Past, Point, moist
from dewkeeper.report.shed_air import BEFORE_SECONDS, AirBefore, AnimalSheds, air_between, animal_sheds
from dewkeeper.report.sheds import shed_cycles, ungraded
from dewkeeper.report.weights import Weighing, loss, weighings
from dewkeeper.report.wording import Wording

MONTHS: Final = 3
SIGNS: Final = ("belly_smooth", "belly_rough", "belly_cracked", "belly_discoloured", "wheeze", "open_mouth", "refused")
_SUGGESTS: Final[dict[str, str]] = {
    "belly_smooth": "as it should be",
    "belly_rough": "air or floor was dry, or the floor stayed wet",
    "belly_cracked": "for an exotics vet",
    "belly_discoloured": "for an exotics vet",
    "wheeze": "for an exotics vet",
    "open_mouth": "for an exotics vet, today",
    "refused": "often nothing: a shed is coming, or a season",
}
GOOD_PERCENT: Final = 1.0
"""On average no more than so much %RH beside the target band: the probe says the air was good."""


@dataclass(frozen=True, slots=True)
class SignSeen:
    """A sign, what it suggests, and what the probes say of the 14 days before; air is None where nothing was measured or it is withheld."""

    entry: JournalEntry
    suggests: str
    air: AirBefore | None
    remark: str


@dataclass(frozen=True, slots=True)
class AirMonth:
    """One calendar month of the air an animal had, where the probe was: lowest, mean, highest; share watched. None: not measured.

    withheld: its humidity is shown once the shed in it is graded.
    """

    month: str
    humidity: tuple[float, float, float] | None
    temperature: tuple[float, float, float] | None
    watched: float
    withheld: bool = False


@dataclass(frozen=True, slots=True)
class VetSheet:
    """Everything on the page."""

    name: str
    home: str | None
    since: int | None
    made_at: int
    weights: Sequence[Weighing]
    lost_share: float | None
    sheds: AnimalSheds | None
    signs: Sequence[SignSeen]
    months: Sequence[AirMonth]
    done: Sequence[JournalEntry]


def vet_sheet(past: Past, animal: Animal, journal: Sequence[JournalEntry], wording: Wording, now: int) -> VetSheet:
    """Return the sheet of an animal at `now` (UTC seconds); journal: oldest first. Raises StoreError."""
    since = now - MONTHS * 31 * 86400
    homes = {stay.enclosure for stay in animal.stays if (stay.end or now) >= since}
    hidden = ungraded(shed_cycles(animal))
    weights = weighings(animal.entries)
    sheds = animal_sheds(past, [animal])
    return VetSheet(
        name=animal.name or "not named",
        home=animal.home,
        since=animal.stays[-1].start if animal.stays else None,
        made_at=now,
        # One page: so many of each at most.
        weights=weights[-12:],
        lost_share=loss(weights),
        sheds=sheds[0] if sheds else None,
        signs=signs_seen(past, animal, since),
        months=air_months(past, animal, wording, now, hidden),
        done=[
            e for e in journal
            if since <= e.time <= now and e.enclosure in homes and e.what in JOURNAL
            and (JOURNAL[e.what].lever or e.what in ("vet", "quarantine", "moved_in", "warm_up", "heater_changed", "disinfected"))
            and e.what not in ("misted", "refilled")
        ][-20:],
    )  # fmt: skip


def signs_seen(past: Past, animal: Animal, since: int) -> list[SignSeen]:
    """Return the signs noted from `since` on, newest first, each with what the probes say of the weeks before it."""
    in_force, hidden, found = past.in_force(), ungraded(shed_cycles(animal)), []
    for entry in reversed(animal.entries):
        if entry.what not in SIGNS or entry.time < since:
            continue
        air = None
        if hidden is None or entry.time < hidden[0] or entry.time - BEFORE_SECONDS > hidden[1]:
            air = air_between(past, in_force, animal, entry.time - BEFORE_SECONDS, entry.time)
            remark = _remark(entry.what, air)
        else:
            remark = "the air of these weeks is shown once the shed is graded"
        found.append(SignSeen(entry, _SUGGESTS[entry.what], air, remark))
    return found


def _remark(what: str, air: AirBefore | None) -> str:
    if air is None:
        return "nothing was measured in the two weeks before"
    good = max(air.dryness_percent, air.dampness_percent) <= GOOD_PERCENT
    if what == "belly_rough" and good:
        return f"the probe says the air was good ({air.words()}): check the probe, and feel the floor"
    return f"the two weeks before: {air.words()}"


def air_months(
    past: Past, animal: Animal, wording: Wording, now: int, hidden: tuple[int, int] | None
) -> list[AirMonth]:
    """Return the last calendar months of the air an animal had, oldest first. Raises StoreError."""
    local, found = wording.local(now), []
    first = datetime(local.year, local.month, 1, tzinfo=wording.zone)
    end = now
    for _ in range(MONTHS):
        start = int(first.timestamp())
        found.append(_month(past, animal, f"{first:%b %Y}", start, end, hidden))
        end = start
        first = datetime(first.year - (first.month == 1), (first.month - 2) % 12 + 1, 1, tzinfo=wording.zone)
    return found[::-1]


def _month(past: Past, animal: Animal, name: str, start: int, end: int, hidden: tuple[int, int] | None) -> AirMonth:
    points: list[Point] = []
    for stay in animal.stays:
        a, b = max(start, stay.start if animal.name else start), min(end, stay.end or end)
        if a < b:
            # Slices of six hours are few to read, and lowest and highest of a slice are readings whatever its length.
            points += past.series(stay.enclosure, a, b, max(1, (b - a) // 21600))
    humid = moist(points)
    watched = min(1.0, sum(p.seconds for p in humid) / max(1, end - start))
    if not points:
        return AirMonth(name, None, None, 0.0)
    withheld = hidden is not None and hidden[0] < end and hidden[1] > start
    humidity = (
        min(p.humidity_low for p in humid), sum(p.humidity_percent for p in humid) / len(humid), max(p.humidity_high for p in humid),
    ) if humid else None  # fmt: skip
    temperature = (
        min(p.temperature_low for p in points), sum(p.temperature_c for p in points) / len(points), max(p.temperature_high for p in points),
    )  # fmt: skip
    return AirMonth(name, None if withheld else humidity, temperature, watched, withheld)


def month_words(month: AirMonth, wording: Wording) -> str:
    """Return "Nov 2026: humidity 52–68 %, mean 61 %; temperature 26.1 °C–31.0 °C, mean 28.4 °C; unwatched 3 % of it"."""
    if month.temperature is None:
        return f"{month.month}: nothing measured"
    low, mean, high = month.temperature
    warm = f"temperature {wording.temperature_range(low, high)}, mean {wording.temperature(mean)}"
    humid = f"humidity {'shown once the shed is graded' if month.withheld else 'not measured'}"
    if month.humidity is not None:
        dry, middle, damp = month.humidity
        humid = f"humidity {wording.humidity_range(dry, damp)}, mean {wording.humidity(middle)}"
    return f"{month.month}: {humid}; {warm}; unwatched {100 * (1 - month.watched):.0f} % of the time"


def vet_lines(sheet: VetSheet, wording: Wording, vet: str = "") -> list[str]:
    """Return the sheet as lines of text, a page of them."""
    lines = [f"For the vet: {sheet.name}, {wording.date(sheet.made_at)}"]
    if sheet.home is not None and sheet.since is not None:
        lines.append(f"Lives in {sheet.home} since {wording.date(sheet.since)}")
    lines += [f"Vet: {vet}"] if vet else []
    lines += ["", "Weights"]
    lines += [f"  {wording.date(w.at)}: {w.grams:.0f} g" for w in sheet.weights] or ["  none noted"]
    if sheet.lost_share is not None:
        lines.append(f"  {100 * sheet.lost_share:.0f} % below the heaviest of the last 90 days")
    lines += ["", "Signs seen in the last three months"]
    for seen in sheet.signs:
        lines.append(f"  {wording.day(seen.entry.time)}: {sign_words(seen)}")
    lines += [] if sheet.signs else ["  none noted"]
    lines += ["", "Sheds"]
    for record in (sheet.sheds.records if sheet.sheds else ())[-6:]:
        grade = record.cycle.grade
        lines.append(f"  {wording.date(record.cycle.shed or 0)}: {grade.words() if grade else 'not graded yet'}")
    lines += [] if sheet.sheds else ["  none noted"]
    lines += ["", "The air where the probe was (one point, not the gradient)"]
    lines += [f"  {month_words(month, wording)}" for month in sheet.months]
    lines += ["", "What was done"]
    lines += [f"  {wording.day(e.time)}: {done_words(e)}" for e in sheet.done] or ["  nothing noted"]
    return [*lines, "", NO_DIAGNOSIS]


NO_DIAGNOSIS: Final = (
    "Written down by the keeper and read by probes; no diagnosis. Good numbers do not prove a healthy snake."
)


def sign_words(seen: SignSeen) -> str:
    """Return a sign with its words, what it suggests and what the probes say."""
    label = JOURNAL[seen.entry.what].label + (f" ({seen.entry.detail})" if seen.entry.detail else "")
    return f"{label}: {seen.suggests}; {seen.remark}"


def done_words(entry: JournalEntry) -> str:
    """Return what was done, where."""
    return f"{JOURNAL[entry.what].label}{f': {entry.detail}' if entry.detail else ''} ({entry.enclosure})"
