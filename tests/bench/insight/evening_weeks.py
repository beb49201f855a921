"""Weeks replayed with the evening round's advice against what was done: `PYTHONPATH=. python -m tests.bench.insight.evening_weeks`.

The same racks four times, from the same chances: with the mistings of their plan; as the round advised at 18:00, never
with more mistings (where it knows nothing, the plan's are kept), its lasting changes carried out that evening, half to one
and a half of what was meant; with its mistings alone; with none. The tubs were learned from three weeks of the plan before.
Counted: hours beyond target, truth, not probe.
All simulated. Seeds 1 to 99 are for tuning, 101 to 199 for judging.
"""

from __future__ import annotations

import argparse
from dataclasses import astuple, dataclass
from pathlib import Path
from random import Random
from typing import Final, Literal
from zoneinfo import ZoneInfo

from tests.bench.insight.insight_bench import say
from tests.bench.insight.insight_worlds import DAY, START, Happening, World, deeds, read, worlds

from dewkeeper.air import saturation_hpa
from dewkeeper.insight.learning import WasRead, facts_at, hours_ahead
from dewkeeper.insight.outlook import SLOW_HOURS, UNDER_WAY, Ahead, Present, under_way
from dewkeeper.insight.series import GRID_SECONDS, Series
from dewkeeper.report.evening import AirAdvice, EveningFacts, advise, by_need
from dewkeeper.report.wording import Wording
from dewkeeper_config.loading import ReplayConfig, parse
from dewkeeper_config.models import Config
from dewkeeper_config.profiles import effective_limits

LEARNED_DAYS: Final = 21
SCORED_DAYS: Final = 14
TUBS: Final = 3
MAKES: Final = ("mixed", "leaky", "cable", "dry frost", "summer", "tight")
"""Racks of adults that are misted; egg boxes, hatchlings and quarantine have other limits."""
EVENING: Final = 18 * 60
HOLES: Final = "holes_changed"
CARRIED_OUT: Final = (0.5, 1.5)
"""How much of an advised change of the air comes of it, drawn: nobody knows how much air a third of the holes is. Assumed, no source."""
Way = Literal["done", "advised", "water", "none"]
WAYS: Final[tuple[Way, ...]] = ("done", "advised", "water", "none")
WORDING: Final = Wording(ZoneInfo("UTC"))


def config_of(count: int) -> Config:
    """Return a rack of so many tubs for adults, in which they can be misted, and their holes opened and closed."""
    tubs = ", ".join(f'{{ name = "{i}", rack = "R", levers = ["misting", "holes"] }}' for i in range(count))
    probes = ", ".join(f'{{ name = "p{i}", enclosure = "{i}", driver = "simulated" }}' for i in range(count))
    text = f'site = {{ name = "S", timezone = "UTC" }}\nrack = [{{ name = "R" }}]\nenclosure = [{tubs}]\nprobe = [{probes}]\n'
    return parse(text.encode(), Path("rack.toml"), ReplayConfig)


@dataclass
class Weeks:
    """What came of one way of keeping: hours beyond target, of how many, and mistings."""

    dry: float = 0.0
    damp: float = 0.0
    watched: float = 0.0
    mistings: int = 0
    changes: int = 0

    @property
    def beyond(self) -> float:
        """Return the hours beyond target, either way."""
        return self.dry + self.damp

    def __add__(self, other: Weeks) -> Weeks:
        return Weeks(*(a + b for a, b in zip(astuple(self), astuple(other), strict=True)))

    def __str__(self) -> str:
        return f"{self.beyond:.0f} h ({self.dry:.0f} too dry, {self.damp:.0f} too damp) with {self.mistings} mistings, {self.changes} changes"


class _Tub:
    """One tub whose air is simulated anew when something more is done to it."""

    def __init__(self, world: World, index: int, config: Config) -> None:
        self._world, self._index = world, index
        self.plan = world.tubs[index]
        self.limits = effective_limits(config, str(index))
        self._made: tuple[Series, list[float]] | None = None

    def add(self, more: Happening) -> None:
        """Have something happen."""
        self.plan.happenings = sorted([*self.plan.happenings, more], key=lambda h: h.start)
        self._made = None

    def made(self) -> tuple[Series, list[float]]:
        """Return what its probe reads, and the true humidity minute by minute."""
        if self._made is None:
            air = self._world.air(self.plan)
            series = read(
                air, Random(self._world.seed * 77 + self._index), self.plan.offset_c, self.plan.offset_percent
            )
            self._made = series, list(air.humidity)
        return self._made

    def count(self, weeks: Weeks) -> None:
        """Count its scored days."""
        target, (_, truth) = self.limits.humidity_target, self.made()
        scored = truth[LEARNED_DAYS * DAY :]
        weeks.dry += sum(value < target.low for value in scored) / 60
        weeks.damp += sum(value > target.high for value in scored) / 60
        weeks.watched += len(scored) / 60
        weeks.mistings += sum(h.what == "mist" and h.start >= LEARNED_DAYS * DAY for h in self.plan.happenings)


def advice(tub: _Tub, name: str, config: Config, room: Series, minute: int) -> AirAdvice:
    """Return what the round says of a tub at a minute, from last night's figures and the last hours."""
    now, learned = START + 60 * minute, START + 60 * (minute // DAY * DAY + 280)
    series, done = tub.made()[0].until(now), deeds(tub.plan)
    figures = hours_ahead(series, room, done, learned)
    ahead: Ahead | str = "the last hours were not read"
    hours = series.hours(now, SLOW_HOURS)
    air, own = room.mean(now - 3600, now), series.mean(now - 3600, now)
    if air is not None:
        ahead = figures.ahead(Present(now, float(hours[0][-1]), tuple(hours[1].tolist()), air[1]))
    facts = facts_at(WasRead({name: series}, {"r": room}, {name: "r"}, {name: done}), learned).tubs[name][0]
    known = {fact.quantity: fact.value for fact in facts if fact.value is not None}
    last = {word: now - at for at, word, _ in done if at <= now and word in ("misted", HOLES)} | {"refilled": 86400}
    enclosure = next(e for e in config.enclosure if e.name == name)
    held = {str(quantity): value for quantity, value in known.items()}
    percent = None if own is None else 100 * own[1] / saturation_hpa(own[0])
    place = (now - series.start) // GRID_SECONDS
    quarters = series.vapour_hpa[place - 72 : place].reshape(24, 3).mean(axis=1).tolist()
    if under_way([*((at, word) for at, word, _ in done), *figures.hands_seen(now, quarters)], now):
        ahead = UNDER_WAY
    return advise(EveningFacts(enclosure, tub.limits, "", ahead, held, last, percent, figures.levels), WORDING)


def replayed(world: World, way: Way) -> Weeks:
    """Return how the scored weeks of a rack went, with the plan's mistings, as advised, with the advised mistings alone, or with none."""
    config, room, found = config_of(len(world.tubs)), world.room(), Weeks()
    dice, last_minute = Random(f"carried out/{world.make}/{world.seed}"), len(world.room_c) - 10
    tubs = [_Tub(world, index, config) for index in range(len(world.tubs))]
    for tub in tubs:
        tub.plan.happenings = [
            h for h in tub.plan.happenings if h.start < LEARNED_DAYS * DAY or (h.what == "mist" and way != "none")
        ]
    if way not in ("advised", "water"):
        for tub in tubs:
            tub.count(found)
        return found
    first = LEARNED_DAYS * DAY
    sizes = [[h.size for h in tub.plan.happenings if h.what == "mist"] or [1.0] for tub in tubs]
    planned = [[h for h in tub.plan.happenings if h.start >= first] for tub in tubs]
    budget = sum(map(len, planned))
    for tub in tubs:
        tub.plan.happenings = [h for h in tub.plan.happenings if h.start < first]
    for day in range(LEARNED_DAYS, LEARNED_DAYS + SCORED_DAYS):
        said = [advice(tub, str(i), config, room, day * DAY + EVENING) for i, tub in enumerate(tubs)]
        for one in by_need(said, {str(i): "room" for i in range(len(tubs))}):
            index, at = int(one.enclosure), day * DAY + EVENING + 10
            if one.lasting is not None and way == "advised":
                step = 1 + (one.lasting.step - 1) * dice.uniform(*CARRIED_OUT)
                tubs[index].add(Happening(at, last_minute, "blocked", step, HOLES))
                found.changes += 1
            if one.deed == "unknown" and HOLES not in (h.word for h in tubs[index].plan.happenings):  # as usual
                usual = [h for h in planned[index] if at <= h.start < at + DAY][: max(0, budget)]
                budget -= len(usual)
                for misting in usual:
                    tubs[index].add(misting)
            for hour in one.mistings[: max(0, budget)]:
                budget -= 1
                then = at + 60 * hour
                tubs[index].add(Happening(then, then + 1, "mist", sum(sizes[index]) / len(sizes[index]), "misted"))
    for tub in tubs:
        tub.count(found)
    return found


def main() -> None:
    """Print what came of both ways, rack by rack and together."""
    parser = argparse.ArgumentParser(description="Replay weeks with the evening round's advice.")
    parser.add_argument("--seed", type=int, default=101)
    parser.add_argument("--physics", choices=("tub", "shell", "planted"), default="tub")
    args = parser.parse_args()
    say(
        f"evening round, physics {args.physics}, seed {args.seed}, {SCORED_DAYS} days scored after {LEARNED_DAYS}, simulated"
    )
    total = {way: Weeks() for way in WAYS}
    for make in MAKES:
        said = []
        for way in WAYS:
            (world,) = worlds(args.seed, args.physics, LEARNED_DAYS + SCORED_DAYS, TUBS, only=make)
            weeks = replayed(world, way)
            total[way] += weeks
            said.append(f"{way} {weeks}")
        say(f"{make}: beyond target {', '.join(said)}")
    share, alone = (total[way].beyond / max(1e-9, total["done"].beyond) for way in ("advised", "water"))
    say(
        f"together, of {total['done'].watched:.0f} h: beyond target {', '.join(f'{way} {weeks}' for way, weeks in total.items())};"
        f" advised {share:.0%} of the hours as done (goal 50 %), by its mistings alone {alone:.0%}"
    )


if __name__ == "__main__":
    main()
