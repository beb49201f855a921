"""What is to happen in a rack: the tubs' properties, the keeper's hand, the mishaps and the probes' faults.

A plan is made from a seed alone and says everything; physics and probes only carry it out. Times are minutes from
the start of the rack.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random
from typing import Literal

from tests.bench.alarms.bench_air import DAY, RoomPlan, Spell

from dewkeeper.judge.types import Kind

Physics = Literal["tub", "shell", "planted"]
"""By which of the three physics the racks are carried out."""

Deed = Literal["mist", "open", "clean", "snake", "bowl_dry", "heater_stuck", "heater_lost", "lid_left",
               "spill", "blocked"]  # fmt: skip

NAMED_WITHIN_MINUTES: dict[Kind, int] = {
    "missing": 10, "crc": 10, "gross_range": 30, "flat_line": 30, "saturated": 60, "sensor_heater": 30,
    "brownout": 30, "displaced": 120, "impossible": 1440, "swapped": 1440,
}  # fmt: skip
"""How soon each fault is to be told. Where no figure was set for a kind (gross range, heater, brown-out) the 30 min
of a flat line are asked for, for a swapped pair the day of an impossible reading."""


@dataclass(frozen=True, slots=True)
class Happening:
    """Something done to a tub, or befalling it, from `start` to `end`; `word` is its journal entry, if any."""

    start: int
    end: int
    what: Deed
    size: float = 1.0
    word: str | None = None


@dataclass(slots=True)
class Fault:
    """A true fault of a probe. `partner` is the other tub of a swapped pair; `scored` says whether it can be seen."""

    kind: Kind
    start: int
    end: int
    style: float
    partner: int | None = None
    scored: bool = True


@dataclass(slots=True)
class TubPlan:
    """One tub. Conductances are g per minute per hPa, capacities grams of water per unit of water activity."""

    name: str
    profile: str
    volume_m3: float
    vent: float
    rest_percent: float
    surface: float
    surface_capacity: float
    deep: float
    deep_capacity: float
    film: float
    set_c: float
    night_set_c: float
    hysteresis_c: float
    full_rise_c: float
    mat_minutes: float
    heat_minutes: float
    proportional: bool
    offset_c: float
    offset_percent: float
    lag_seconds: float
    noise: float = 1.0  # of sensor and air, times the usual
    happenings: list[Happening] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    lossy: list[tuple[int, int]] = field(default_factory=list)


@dataclass(slots=True)
class RackPlan:
    """A rack with its room. `gaps` are spans in which the daemon was down and nothing was read."""

    name: str
    seed: int
    days: int
    room: RoomPlan
    tubs: list[TubPlan]
    rounded: bool
    gaps: list[tuple[int, int]]
    physics: Physics = "tub"

    @property
    def tub_years(self) -> float:
        """How much watching this rack adds."""
        return len(self.tubs) * self.days / 365.25


@dataclass(frozen=True, slots=True)
class Make:
    """A make of rack: ranges its tubs are drawn from."""

    name: str
    tubs: int
    days: int
    room: RoomPlan
    profile: str = "adult"
    vent_m3_day: tuple[float, float] = (0.8, 4.0)
    volume_l: tuple[float, float] = (20, 60)
    rest: tuple[float, float] = (58, 69)
    set_c: tuple[float, float] = (28.0, 31.0)
    night_drop_c: float = 0.0
    hysteresis_c: tuple[float, float] = (0.2, 0.7)
    heat_minutes: tuple[float, float] = (50, 120)
    proportional: float = 0.2
    mist_days: tuple[float, float] = (1.0, 2.0)
    rounded: bool = False
    quiet: bool = False


def _spells(first_day: int, days: int, every: int, add_c: float, vapour: float | None) -> tuple[Spell, ...]:
    starts = range(first_day, days, every)
    return tuple(Spell(d * DAY, (d + 2) * DAY, add_c, vapour) for d in starts)


def _room(
    mean: float, out: float, sd: float, gain: float, spells: tuple[Spell, ...] = (), swing: float = 1.0
) -> RoomPlan:
    return RoomPlan(mean, swing, out, sd, gain, spells)


MAKES: tuple[Make, ...] = (
    Make("mixed", 12, 42, _room(22.5, 9, 2.0, 3.5), rest=(56, 75), vent_m3_day=(0.5, 6)),
    Make("tight", 12, 35, _room(22, 6, 1.2, 3.5), vent_m3_day=(0.25, 0.9), rest=(60, 73)),
    Make("leaky", 12, 42, _room(22, 7, 1.5, 4), vent_m3_day=(4, 9), rest=(57, 68), mist_days=(0.8, 1.4)),
    Make("furnished", 6, 42, _room(24, 12, 2.0, 3), volume_l=(180, 400), vent_m3_day=(10, 30),
         set_c=(29, 31), night_drop_c=3.5, proportional=0.7, heat_minutes=(18, 45)),
    Make("egg boxes", 6, 56, _room(25, 11, 1.5, 3), profile="egg_box", volume_l=(5, 10),
         vent_m3_day=(0.02, 0.1), rest=(88, 96), set_c=(31.2, 31.8), hysteresis_c=(0.1, 0.25),
         proportional=0.6, mist_days=(30, 60)),
    Make("cable", 16, 35, _room(21, 8, 1.5, 3.5), hysteresis_c=(0.5, 0.9), rest=(55.5, 67)),
    Make("hatchlings", 24, 21, _room(24, 10, 1.5, 3.5), profile="hatchling", volume_l=(4, 12),
         vent_m3_day=(0.2, 1.0), rest=(64, 76), heat_minutes=(25, 60)),
    Make("heat wave", 12, 28, _room(25, 14, 2.0, 3, _spells(6, 28, 9, 9.5, None), 1.5), rest=(58, 70)),
    Make("humid room", 10, 42, _room(24, 17, 1.5, 3), rest=(63, 77), vent_m3_day=(0.8, 5)),
    Make("dry frost", 16, 28, _room(21.5, 6, 1.0, 3.2, _spells(5, 28, 8, -1.5, 2.0))),
    Make("quarantine", 8, 42, _room(23, 9, 1.5, 3.5), profile="quarantine", rest=(53, 69)),
    Make("rounded", 8, 28, _room(22.5, 9, 1.5, 3.5), rounded=True),
    Make("grazing", 24, 21, _room(22, 9, 0.8, 3.5), rest=(55, 58.5), hysteresis_c=(0.4, 0.9), quiet=True),
    Make("summer", 10, 21, _room(26, 15, 2.0, 3), vent_m3_day=(3, 8), rest=(57, 69)),
)  # fmt: skip
"""The racks of the whole bench, 15.2 tub-years, in the order they are taken."""


def plan_rack(make: Make, seed: int, days: int | None = None, tubs: int | None = None) -> RackPlan:
    """Draw a rack of this make. The same seed, days and tubs give the same plan."""
    chance = Random(f"{make.name}/{seed}")
    days = days or make.days
    count = tubs or make.tubs
    drawn = [_tub(make, i, chance) for i in range(count)]
    busy: list[list[tuple[int, int]]] = [[] for _ in drawn]
    if count >= 4 and not make.quiet:
        _swaps(drawn, busy, days, chance)
    for index, tub in enumerate(drawn):
        _life(make, tub, busy[index], days, chance)
    gaps = []
    day = chance.uniform(3, 12)
    while day < days - 1:
        start = int(day * DAY)
        gaps.append((start, start + chance.randrange(100, 560)))
        day += chance.uniform(8, 20)
    return RackPlan(make.name, seed, days, make.room, drawn, make.rounded, gaps)


def _tub(make: Make, index: int, chance: Random) -> TubPlan:
    uniform = chance.uniform
    set_c = uniform(*make.set_c)
    vent = uniform(*make.vent_m3_day) * 0.734 / DAY
    big = uniform(0.6, 1.6)
    return TubPlan(
        name=f"{make.name.replace(' ', '_')}_{index + 1:02d}",
        profile=make.profile,
        volume_m3=uniform(*make.volume_l) / 1000,
        vent=vent,
        rest_percent=uniform(*make.rest),
        surface=vent * uniform(0.8, 5.0),
        surface_capacity=30 * big,
        deep=uniform(0.02, 0.08),
        deep_capacity=200 * big,
        film=vent * uniform(3, 9),
        set_c=set_c,
        night_set_c=set_c - make.night_drop_c,
        hysteresis_c=uniform(*make.hysteresis_c),
        full_rise_c=(set_c - make.room.mean_c) * uniform(1.7, 2.6) + 1.0,
        mat_minutes=uniform(4, 9),
        heat_minutes=uniform(*make.heat_minutes),
        proportional=chance.random() < make.proportional,
        offset_c=uniform(-0.3, 0.3),
        offset_percent=uniform(-2, 2),
        lag_seconds=uniform(8, 150),
    )


def _swaps(tubs: list[TubPlan], busy: list[list[tuple[int, int]]], days: int, chance: Random) -> None:
    """Swap the probes of two unlike tubs at a clean-out, about once in three weeks of a rack."""
    for first_day in range(4, days - 3, 20):
        by_rest = sorted(range(len(tubs)), key=lambda i: tubs[i].rest_percent)
        a, b = chance.choice(by_rest[:2]), chance.choice(by_rest[-2:])
        start = int((first_day + chance.random()) * DAY)
        end = start + chance.randrange(30 * 60, 60 * 60)
        for one, other in ((a, b), (b, a)):
            tubs[one].faults.append(Fault("swapped", start, end, 0.0, other))
            word = "cleaned" if chance.random() < 0.7 else None
            tubs[one].happenings.append(Happening(start - 40, start - 5, "clean", 1.0, word))
            tubs[one].happenings.append(Happening(end - 5, end, "open", 1.0, "probe_moved"))
            busy[one].append((start - 300, end + 300))


_SPECIAL: tuple[tuple[str, float, tuple[float, float]], ...] = (
    # what, weight, hours it lasts
    ("missing", 3, (0.6, 16)), ("crc", 3, (1, 16)), ("gross_range", 3, (1, 12)), ("flat_line", 3, (1, 14)),
    ("saturated", 3, (2, 16)), ("sensor_heater", 2.5, (1, 8)), ("brownout", 2.5, (2, 12)),
    ("displaced", 3.5, (3, 30)), ("impossible", 2.5, (36, 70)), ("lossy", 2, (20, 28)),
    ("bowl_dry", 6, (14, 60)), ("heater_stuck", 3, (1, 6)), ("heater_lost", 3, (4, 16)), ("lid_left", 3, (2.2, 10)),
    ("spill", 2, (0.1, 0.2)), ("blocked", 2, (30, 90)),
)  # fmt: skip


def _life(make: Make, tub: TubPlan, busy: list[tuple[int, int]], days: int, chance: Random) -> None:
    """Fill a tub's weeks: one special matter every eleven days or so, mistings, openings and clean-outs between."""
    minute = int(chance.uniform(1.2, 6) * DAY)
    weights = [row[1] for row in _SPECIAL]
    while minute < (days - 1) * DAY:
        what, _, (low, high) = chance.choices(_SPECIAL, weights)[0]
        end = minute + int(chance.uniform(low, high) * 60)
        free = all(end + 300 < a or minute - 300 > b for a, b in busy)
        if end < days * DAY - 300 and free and not (make.quiet and chance.random() < 0.8):
            busy.append((minute - 60, end + 60))
            _special(tub, what, minute, end, chance)
        minute = end + int(chance.uniform(2, 15) * DAY)
    _upkeep(make, tub, days, chance)
    tub.happenings.sort(key=lambda h: h.start)
    tub.faults.sort(key=lambda f: f.start)


def _special(tub: TubPlan, what: str, start: int, end: int, chance: Random) -> None:
    if what in NAMED_WITHIN_MINUTES:
        kind: Kind = what  # the table above holds kinds and deeds together
        tub.faults.append(Fault(kind, start, end, chance.random()))
    elif what == "lossy":
        tub.lossy.append((start, end))
    elif what == "bowl_dry":
        fast = chance.random() < 0.35  # with a vent forced open, the slow way otherwise
        tub.happenings.append(Happening(start, end, "bowl_dry", chance.uniform(3, 7) if fast else 1.0))
    elif what == "heater_stuck":
        tub.happenings.append(Happening(start, end, "heater_stuck", chance.uniform(1.0, 1.6)))
    elif what == "heater_lost":
        tub.happenings.append(Happening(start, end, "heater_lost"))
    elif what == "spill":
        tub.happenings.append(Happening(start, end, "spill", chance.uniform(0.5, 1.5)))
    elif what == "blocked":
        tub.happenings.append(Happening(start, end, "blocked", chance.uniform(0.05, 0.25)))
    else:
        word = "opened" if chance.random() < 0.4 else None
        tub.happenings.append(Happening(start, end, "lid_left", chance.uniform(6, 25), word))


def kept_apart(tub: TubPlan) -> list[tuple[int, int]]:
    """Return the spans in which nothing else is done to a tub: its happenings, and a probe that is in other air.

    A probe that only reads wrong keeps nobody from misting, and its wrong readings go up and down with what is done.
    """
    return [(h.start - 30, h.end + 30) for h in tub.happenings] + [
        (f.start - 20, f.end + 20) for f in tub.faults if f.kind in ("displaced", "swapped")
    ]


def _upkeep(make: Make, tub: TubPlan, days: int, chance: Random) -> None:
    clear = kept_apart(tub)

    def add(
        day: float, hours: tuple[float, float], length: tuple[int, int], what: Deed, words: str, told: float
    ) -> None:
        start = int(day) * DAY + int(chance.uniform(*hours) * 60)
        end = start + chance.randrange(*length)
        if end < days * DAY - 60 and all(end < a or start > b for a, b in clear):
            word = chance.choice(words.split()) if words and chance.random() < told else None
            tub.happenings.append(Happening(start, end, what, chance.uniform(0.4, 1.6), word))

    day = chance.uniform(*make.mist_days)
    while day < days:
        add(day, chance.choice([(6.5, 9), (17.5, 21.5)]), (1, 2), "mist", "misted", 0.6)
        day += chance.uniform(*make.mist_days)
    for day in range(1, days):
        if chance.random() < 0.35:
            add(day, (8, 21), (2, 20), "open", "opened fed handled refilled spot_cleaned weighed", 0.5)
        if chance.random() < 0.5:
            add(day, (0, 23), (20, 120), "snake", "", 0)
        if chance.random() < 1 / 21:
            add(day, (9, 18), (15, 60), "clean", "cleaned disinfected", 0.7)
    if tub.profile == "egg_box":  # drawn all the same, so that whatever else happens is what it was before
        tub.happenings = [h for h in tub.happenings if h.what != "snake"]
