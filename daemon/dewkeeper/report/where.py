"""Where the snake lies: how humid it is at the warm end and in the hide, whether the cool wall gets wet, how much air passes.

Measured, reckoned and not known are different sentences, as in `ahead`. Reckoned takes vapour to be even in the whole
enclosure, and says so. Common practice where no source is named, never veterinary advice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from dewkeeper.air import dew_point_c, humidity_at, vapour_hpa
from dewkeeper.insight.places import (
    PROBE_C,
    PROBE_PERCENT,
    THERMOMETER_C,
    VENTS,
    Reckoned,
    Spot,
    humidity_there,
    surface_of,
    wall_c,
)
from dewkeeper.judge.types import Fact, JournalEntry, Learned, Quantity
from dewkeeper.judge.words import DAY, JOURNAL
from dewkeeper.report.ahead import NEVER_LEARNED
from dewkeeper.report.contract import Newest, Past, moist
from dewkeeper.report.watching import stale_after
from dewkeeper.report.wording import Wording
from dewkeeper_config.models import Config, Enclosure
from dewkeeper_config.profiles import effective_limits

_HOUR: Final = 3600
_RECENT_SECONDS: Final = 30 * DAY
_VENT_SECONDS: Final = 60 * DAY
_NEAR_SECONDS: Final = 1800
_NIGHT_HOURS: Final = 24
_EVEN: Final = "as if vapour were even in the whole enclosure"
CAUTIONS: Final = {
    "warm_end": "A warm surface burns before a snake leaves it: a guard, a thermostat and an independent cut-out on every "
    "heater; blisters or darkened scales are for an exotics vet.",
    "hide": "A hide may be damp, never dripping wet: scales rot on a wet floor. Red or brown belly scales and blisters are for "
    "an exotics vet.",
    "air": "Stale, damp air harms the lungs: wheeze, bubbles or breathing with an open mouth are for an exotics vet.",
}
"""What belongs to what is said of each place."""


@dataclass(frozen=True, slots=True)
class _Place:
    """A place's words, the role of a probe there, what is learned of it, and what else to say where it is reckoned."""

    words: str
    role: str
    quantity: Quantity
    more: str = ""


_PLACES: Final[Mapping[Spot, _Place]] = {
    "warm_end": _Place("At the warm end", "warm_end", "warm_end_above_c"),
    "hide": _Place("In the hide", "humid_hide", "hide_above_c", " Moss or a wet floor makes it damper than that."),
}


@dataclass(slots=True)
class WhereReport:
    """Sentences by kind, and the cautions that belong to what they speak of."""

    measured: list[str] = field(default_factory=list)
    reckoned: list[str] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Here:
    """One enclosure now: its air and its room's (°C, %RH), None where nothing fresh was read.

    beside: its other probes by role, with what they read. learned: what insight last said of it. hot_c: what
    it tolerates.
    """

    past: Past
    wording: Wording
    name: str
    now: int
    air: tuple[float, float] | None
    room: tuple[float, float] | None
    room_probe: str | None
    beside: Mapping[str, tuple[str, tuple[float, float]]]
    learned: Learned
    surfaces: Sequence[JournalEntry]
    hot_c: float

    def known(self, quantity: Quantity) -> tuple[Fact | None, str]:
        """Return a fact that holds now, or why there is none."""
        if (fact := self.learned.fact(quantity, self.now)) is not None:
            return fact, ""
        old = next((fact for fact in self.learned.facts if fact.quantity == quantity), None)
        if old is None:
            return None, NEVER_LEARNED
        return None, old.why if old.value is None else "what was learned is too old"


def where(past: Past, config: Config, name: str, learned: Learned | None, now: int) -> WhereReport:
    """Return what is known of an enclosure's places. learned: what insight last said of it. Raises StoreError."""
    enclosure = next(e for e in config.enclosure if e.name == name)
    here, report = _here(past, config, enclosure, learned, now), WhereReport()
    if enclosure.kind != "egg_box":
        for spot, place in _PLACES.items():
            _warm(report, here, spot, place)
    _wall(report, here)
    _exchange(report, here)
    return report


def _here(past: Past, config: Config, enclosure: Enclosure, learned: Learned | None, now: int) -> _Here:
    room = next(rack.room for rack in config.rack if rack.name == enclosure.rack)
    fresh = {probe: read for probe, one in past.latest().items() if (read := _fresh(one, now - stale_after(config)))}
    own = [p.name for p in config.probe if p.enclosure == enclosure.name and p.role == "substrate" and p.name in fresh]
    beside: dict[str, tuple[str, tuple[float, float]]] = {}
    for probe in config.probe:
        if probe.enclosure == enclosure.name and probe.role != "substrate" and probe.name in fresh:
            beside.setdefault(probe.role, (probe.name, fresh[probe.name]))
    around = next((p.name for p in config.probe if p.role == "room" and p.room == room), None)
    limits = past.in_force().limits(enclosure.name, now) or effective_limits(config, enclosure.name)
    return _Here(
        past, Wording.of(config.site), enclosure.name, now, fresh[own[0]] if own else None, fresh.get(around or ""), around,
        beside, learned or Learned(now, enclosure.name),
        past.journal(now - _RECENT_SECONDS, words={"surface"}, enclosure=enclosure.name), limits.temperature_tolerable.high,
    )  # fmt: skip


def _fresh(one: Newest, since: int) -> tuple[float, float] | None:
    warm, percent = one.reading.temperature_c, one.reading.humidity_percent
    # Of 0 % there is no dew point.
    if not one.quality.counts or one.reading.time < since or warm is None or not percent:
        return None
    return warm, percent


def _warm(report: WhereReport, here: _Here, spot: Spot, place: _Place) -> None:
    """Say how humid it is at a place that is warmer or cooler than the probe."""
    w, (fact, why) = here.wording, here.known(place.quantity)
    hot: float | None = None
    if place.role in here.beside:
        probe, (hot, percent) = here.beside[place.role]
        report.measured.append(
            f"{place.words} {w.humidity(percent)} at {w.temperature(hot)} now, by its own probe {probe}."
        )
    elif fact is not None and here.air is not None:
        above = _interval(fact)
        there, hot = humidity_there(*here.air, above), here.air[0] + above.value
        rests = f"{fact.decays} surface readings" if fact.decays else "a probe there that is not read now"
        report.reckoned.append(
            f"{place.words} about {w.humidity(there.value)} now ({w.humidity_range(there.low, there.high)}) at about"
            f" {w.temperature(hot)}: {_apart(above, w)} than at the probe, by {rests}; {_EVEN}.{place.more}"
        )
    else:
        hot = _then(report, here, spot, place)
        if why:
            report.unknown.append(f"{place.words} at other hours: {why}; a second probe there would measure it.")
    if hot is not None:
        limit = w.day_temperature(here.hot_c)
        report.cautions.append(
            (f"Warmer there than the {limit} it may have. " if hot > here.hot_c else "") + CAUTIONS[spot]
        )


def _then(report: WhereReport, here: _Here, spot: Spot, place: _Place) -> float | None:
    """Say how humid it was at the last surface reading of a place; return its temperature, None where there is none."""
    read = [
        (entry.time, found) for entry in here.surfaces if (found := surface_of(entry.detail)) and found.spot == spot
    ]
    if not read:
        return None
    at, surface = read[-1]
    w, air = here.wording, _mean(here.past, here.name, at - _NEAR_SECONDS, at)
    when = w.clock(at, here.now)
    if air is None:
        report.measured.append(
            f"{place.words} the surface had {w.temperature(surface.celsius)} {when}; its probe was not read then."
        )
        return surface.celsius
    apart = surface.celsius - air[0]
    there = humidity_there(*air, Reckoned(apart, apart - THERMOMETER_C, apart + THERMOMETER_C))
    report.reckoned.append(
        f"{place.words} about {w.humidity(there.value)} ({w.humidity_range(there.low, there.high)}) when its surface had"
        f" {w.temperature(surface.celsius)} and the probe read {w.humidity(air[1])} at {w.temperature(air[0])} ({when}); {_EVEN}.{place.more}"
    )
    return surface.celsius


def _wall(report: WhereReport, here: _Here) -> None:
    """Say whether water condenses on the cool wall: now, and in the worst hour of the last day."""
    w, (fact, why) = here.wording, here.known("wall_factor")
    if fact is None:
        report.unknown.append(
            f"Whether the cool wall gets wet: {why}. Note “cool wall wet” or “cool wall dry” in the morning, before anybody mists."
        )
        return
    factor = _interval(fact)
    rests = f"by {fact.decays} mornings and surface readings noted"
    if here.air is not None and here.room is not None:
        cold = wall_c(here.air[0], here.room[0], factor.value)
        dew = dew_point_c(vapour_hpa(*here.air))
        report.reckoned.append(
            f"The cool wall is at about {w.temperature(cold)} now, the dew point {w.temperature(dew)}:"
            f" {_wet(here.air, here.room[0], factor)} ({rests})."
        )
    worst = _worst_hour(here, factor)
    if worst is not None:
        at, said = worst
        report.reckoned.append(f"The worst hour of the last day was {w.clock(at, here.now)}: the cool wall {said}.")
        if said != _DRY:
            report.cautions.append(CAUTIONS["air"])


_DRY, _MAYBE, _WET = "dry", "may be wet", "wet, water condenses on it"


def _wet(air: tuple[float, float], room_c: float, factor: Reckoned) -> str:
    """Return whether a wall is wet, by the ends of what is known of its factor and of what the probe may be off by."""
    off = 0.5 * PROBE_PERCENT * 0.2 + PROBE_C  # 1 %RH is a fifth of a degree of dew point at 25 °C and 60 %
    dew = dew_point_c(vapour_hpa(*air))
    ends = [wall_c(air[0], room_c, one) for one in (factor.low, factor.high)]
    if min(ends) - off > dew:
        return _DRY
    return _WET if max(ends) + off < dew else _MAYBE


def _worst_hour(here: _Here, factor: Reckoned) -> tuple[int, str] | None:
    """Return the hour of the last day in which the wall was nearest to being wet, and how it was then."""
    if here.room_probe is None:
        return None
    end = here.now // 900 * 900  # whole quarter hours are summed up already
    span = (end - _NIGHT_HOURS * _HOUR, end, _NIGHT_HOURS)
    rooms = {point.at: point for point in here.past.series(here.room_probe, *span)}
    found = [
        (wall_c(p.temperature_c, rooms[p.at].temperature_c, factor.value) - dew_point_c(vapour_hpa(p.temperature_c, p.humidity_percent)), p)
        for p in moist(here.past.series(here.name, *span))
        if p.at in rooms and p.humidity_percent > 0
    ]  # fmt: skip
    if not found:
        return None
    _, worst = min(found, key=lambda one: one[0])
    return worst.at, _wet((worst.temperature_c, worst.humidity_percent), rooms[worst.at].temperature_c, factor)


def _exchange(report: WhereReport, here: _Here) -> None:
    """Say how much air still passes since vents were changed; nothing where nobody changed them."""
    changed = here.past.journal(here.now - _VENT_SECONDS, words=VENTS, enclosure=here.name)
    if not changed:
        return
    w, (fact, why) = here.wording, here.known("exchange_share")
    label = JOURNAL[changed[-1].what].label
    what = f"{label.capitalize()} {w.day(changed[-1].time, here.now)}"
    if fact is None:
        report.unknown.append(f"{what}; how much air still passes: {why}.")
        return
    share = _interval(fact)
    said = "no change is seen" if share.low <= 1 <= share.high else "less" if share.value < 1 else "more"
    report.measured.append(
        f"{what}: since then it exchanges {100 * share.value:.0f}{w.space}% of the air it exchanged with its room before"
        f" ({100 * share.low:.0f}–{100 * share.high:.0f}{w.space}%; {fact.days} days since): {said}."
    )
    if share.value < 1 and share.high < 1:
        report.cautions.append(CAUTIONS["air"])


def _interval(fact: Fact) -> Reckoned:
    value = fact.value or 0.0
    return Reckoned(value, value if fact.low is None else fact.low, value if fact.high is None else fact.high)


def _apart(above: Reckoned, w: Wording) -> str:
    """Return "4.2 °C warmer (3.1–5.3)"."""
    ends = sorted(abs(w.difference(v)) for v in (above.low, above.high))
    said = (
        f"{ends[0]:.1f}–{ends[1]:.1f}"
        if above.low * above.high > 0
        else f"{w.difference(above.low):+.1f} to {w.difference(above.high):+.1f}"
    )
    return (
        f"{abs(w.difference(above.value)):.1f}{w.space}{w.unit} {'warmer' if above.value >= 0 else 'cooler'} ({said})"
    )


def _mean(past: Past, place: str, begin: int, end: int) -> tuple[float, float] | None:
    """Return mean °C and %RH of an enclosure between two times, None where nothing was read."""
    points = moist(past.series(place, begin, end, 1))
    if not points:
        return None
    warm = sum(p.temperature_c for p in points) / len(points)
    # Of the vapour, not of %RH, which goes up and down with the heater alone.
    vapour = sum(vapour_hpa(p.temperature_c, p.humidity_percent) for p in points) / len(points)
    return warm, humidity_at(vapour, warm)


def where_rows(report: WhereReport) -> list[tuple[str, str]]:
    """Return sentences with their kind, in the order they are read."""
    kinds: list[tuple[str, Sequence[str]]] = [
        ("measured", report.measured), ("reckoned", report.reckoned), ("not known", report.unknown),
        ("caution", list(dict.fromkeys(report.cautions))),
    ]  # fmt: skip
    return [(kind, said) for kind, lines in kinds for said in lines]
