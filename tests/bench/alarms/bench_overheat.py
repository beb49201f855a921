"""Fast overheating: ramps of 0.5 to 5 °C a minute from a calm tub, told within two samples or not."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Protocol

from tests.bench.alarms.bench_air import humidity_percent, quick_saturation_hpa
from tests.bench.alarms.bench_probe import humidity_word, temperature_word

from dewkeeper.judge import Judge
from dewkeeper.judge.types import EnclosureFacts, Item, ProbeFacts, Reading, Settings, Verdict
from dewkeeper_config.profiles import BUILT_IN

START = 1_736_121_600
CALM_MINUTES = 360
RATES_C_PER_MINUTE = (0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
TROUBLES = ("none", "polls lost before", "rubbish before", "poll lost between", "misted before", "after a gap")


class Feeds(Protocol):
    """What is asked of a judge here."""

    def feed(self, item: Item) -> Verdict:
        """Take one item."""


@dataclass(frozen=True, slots=True)
class Ramp:
    """One drill and what came of it: samples beyond the limit when `hot` was told, None for never."""

    rate_c_per_minute: float
    trouble: str
    seed: int
    samples: int | None


def ramp(rate: float, trouble: str, seed: int, make: Callable[[], Feeds] = Judge) -> Ramp:
    """Heat one tub from 30 °C at this rate, its vapour kept, and count samples beyond 34 °C until `hot` is told."""
    chance = Random(f"{rate}/{trouble}/{seed}")
    limits = BUILT_IN["adult"].limits
    judge = make()
    judge.feed(
        Settings(
            START,
            60,
            {"T": EnclosureFacts("T", "rack", "room", limits)},
            {"t": ProbeFacts("t", "substrate", "T", "room")},
        )
    )
    period, phase = chance.uniform(18, 45), chance.uniform(0, 6)
    vapour = 0.63 * quick_saturation_hpa(30)
    beyond = dropped = 0
    late = chance.random()
    for minute in range(CALM_MINUTES + 60):
        celsius = 30 + 0.6 * math.sin(2 * math.pi * minute / period + phase)
        heated = minute - CALM_MINUTES
        if heated > 0:
            celsius += min(14.0, rate * (heated - late))
        if trouble == "after a gap" and -90 < heated <= 0:
            continue
        ahead = 34 - celsius if heated > 0 else 99.0
        t = temperature_word(celsius + chance.gauss(0, 0.013))
        wet = 1.35 if trouble == "misted before" and heated > -20 else 1.0
        h = humidity_word(humidity_percent(vapour * wet, celsius) + chance.gauss(0, 0.03))
        at = START + 60 * minute
        before = trouble == "polls lost before" and 0 < ahead < 2 * rate
        between = trouble == "poll lost between" and beyond == 1 and dropped == 0
        if before or between:
            judge.feed(Reading(at, "t", None, None, failure="missing"))
            dropped += 1
            continue
        if trouble == "rubbish before" and 0 < ahead <= rate:  # the last sample below the limit
            t, h = chance.choice([(0, h), (65535, h), (0, 0), (65535, 65535)])
        read = -45 + 175 * t / 65535
        verdict = judge.feed(Reading(at, "t", read, 100 * h / 65535, t, h))
        if 34 < read < 100:
            beyond += 1
        if any(e.kind == "hot" and e.event == "raised" for e in verdict.events):
            return Ramp(rate, trouble, seed, beyond)
    return Ramp(rate, trouble, seed, None)


def drill(seeds: int) -> list[Ramp]:
    """Run every rate with every trouble under so many seeds."""
    return [ramp(rate, trouble, seed) for rate in RATES_C_PER_MINUTE for trouble in TROUBLES for seed in range(seeds)]
