"""A small portion of the alarm bench, and the bench held to its own word: physics, truth and scorer."""

from __future__ import annotations

from array import array
from itertools import pairwise
from math import atan, sqrt
from random import Random

import pytest
from tests.bench.alarms.bench_air import DAY, humidity_percent, quick_saturation_hpa, room_air, saturation_hpa
from tests.bench.alarms.bench_baselines import Told
from tests.bench.alarms.bench_drive import build, chunks, run
from tests.bench.alarms.bench_overheat import RATES_C_PER_MINUTE, TROUBLES, ramp
from tests.bench.alarms.bench_plan import MAKES, Happening, RackPlan, plan_rack
from tests.bench.alarms.bench_planted import planted_air, window_room
from tests.bench.alarms.bench_probe import Wire
from tests.bench.alarms.bench_score import Scorer
from tests.bench.alarms.bench_truth import Truth
from tests.bench.alarms.bench_tub import tub_air
from tests.bench.alarms.bench_variants import vary

from dewkeeper.judge.types import Reading
from dewkeeper_config.profiles import BUILT_IN

ADULT = BUILT_IN["adult"].limits


def _truth(percent: list[float], celsius: list[float] | None = None) -> Truth:
    n = len(percent)
    plan = plan_rack(MAKES[0], 1, 4, 1).tubs[0]
    plan.happenings, plan.faults, plan.lossy = [], [], []
    words = array("H", bytes(2 * n))
    warm = array("d", celsius or [29.0] * n)
    good = bytearray(b"\x01" * n)
    wire = Wire(warm, array("d", percent), bytearray(n), bytearray(n), words, words, good)
    return Truth(plan, wire, bytearray(b"\x01" * n), ADULT, 30)


def test_saturation_pressure_meets_printed_values() -> None:
    """The bench's own formula gives ASHRAE 2017 ch. 1 table 3 (5, 25 and 50 °C) within its 300 ppm."""
    for celsius, pascal in ((5, 872.6), (25, 3169.7), (50, 12351.3)):
        assert saturation_hpa(celsius) == pytest.approx(pascal / 100, rel=4e-4)
        assert quick_saturation_hpa(celsius + 0.013) == pytest.approx(saturation_hpa(celsius + 0.013), rel=1e-5)


def test_tub_rests_where_it_was_built_to() -> None:
    """A tub left alone settles near its resting humidity and its set temperature, and leaks towards the room."""
    plan = plan_rack(MAKES[0], 3, 10, 1)
    tub = plan.tubs[0]
    tub.happenings = []
    room_c, room_hpa = room_air(plan.room, 10 * DAY, Random(1))
    air = tub_air(tub, room_c, room_hpa, Random(2))
    late = slice(5 * DAY, None)
    assert sum(air.humidity[late]) / (5 * DAY) == pytest.approx(tub.rest_percent, abs=6)
    assert sum(air.temperature[late]) / (5 * DAY) == pytest.approx(tub.set_c, abs=1.0)
    tub.happenings = [Happening(6 * DAY, 7 * DAY, "lid_left", 40.0)]
    opened = tub_air(tub, room_c, room_hpa, Random(2))
    room = humidity_percent(room_hpa[7 * DAY - 1], opened.temperature[7 * DAY - 1])
    assert abs(opened.humidity[7 * DAY - 1] - room) < 8


def _wet_bulb(celsius: float, percent: float) -> float:
    """Return the wet bulb, °C, by Stull, J. Appl. Meteor. Climatol. 50 (2011) 2267, eq. 1 (from memory; 13.7 °C at 20 °C, 50 %)."""
    return (
        celsius * atan(0.151977 * sqrt(percent + 8.313659)) + atan(celsius + percent) - atan(percent - 1.676331)
        + 0.00391838 * percent * sqrt(percent) * atan(0.023101 * percent) - 4.686035
    )  # fmt: skip


def test_planted_vivarium_rests_and_fog_cools_it_to_the_wet_bulb_and_no_further() -> None:
    """Left alone it stays near its set temperature and resting humidity by day; fog cools the air, never below its wet bulb."""
    assert _wet_bulb(20, 50) == pytest.approx(13.7, abs=0.05)
    plan = vary(plan_rack(MAKES[3], 3, 8, 1), "planted")
    tub = plan.tubs[0]
    tub.happenings, tub.hysteresis_c, tub.lag_seconds = [], 0.3, 8.0
    room_c, room_hpa = window_room(plan.room, 8 * DAY, Random(1))
    calm = planted_air(tub, room_c, room_hpa, Random(2))
    days = [m for m in range(2 * DAY, 8 * DAY) if 600 <= m % DAY < 1200]
    assert sum(calm.temperature[m] for m in days) / len(days) == pytest.approx(tub.set_c, abs=1.0)
    assert sum(calm.humidity[m] for m in days) / len(days) == pytest.approx(tub.rest_percent, abs=10)
    at = 5 * DAY + 700
    tub.happenings = [Happening(at, at + 1, "mist", 1.0)]
    fog = planted_air(tub, room_c, room_hpa, Random(2))
    coolest = min(fog.temperature[at : at + 30])
    assert _wet_bulb(calm.temperature[at], calm.humidity[at]) - 0.5 < coolest < calm.temperature[at] - 0.5


def test_same_seed_same_series() -> None:
    """A plan drawn twice gives the same readings in the same order, so every case can be run again."""
    one, two = (list(chunks(build(plan_rack(MAKES[1], 5, 4, 2)))) for _ in range(2))
    assert one == two


def test_truth_asks_for_a_plain_excursion_and_forgives_a_short_one() -> None:
    """Beyond for an hour and more must be told at the second poll after the hour; for 50 minutes never."""
    calm, dry = [62.0] * 300, [50.0]
    (found,) = _truth(calm + dry * 100 + calm).excursions
    assert (found.kind, found.start, found.deadline) == ("dry", 300, 362)
    assert _truth(calm + dry * 50 + calm).excursions == []


def test_truth_joins_what_a_thermostat_cuts_up() -> None:
    """Ten minutes beyond, four back, over hours is one excursion carried across the cycles."""
    calm = [62.0] * 300
    cycles = ([53.0] * 16 + [55.6] * 4) * 20
    (found,) = _truth(calm + cycles + calm).excursions
    assert found.carried
    assert 300 <= found.start <= 330
    assert found.deadline <= 430


def _score(truth: Truth, told: list[Told], plan: RackPlan) -> Scorer:
    truths = {tub.name: truth for tub in plan.tubs}
    room = build(plan_rack(MAKES[0], 1, 4, 1)).room
    scorer = Scorer(plan, truths, room)
    scorer.score(told)
    return scorer


def test_scorer_finds_misses_false_alerts_and_lateness() -> None:
    """Silence is a miss, an alert over calm air is false and urgent if it said so, a late one is late."""
    plan = plan_rack(MAKES[0], 1, 4, 1)
    tub = plan.tubs[0].name
    truth = _truth([62.0] * 300 + [50.0] * 100 + [62.0] * 300)
    assert _score(truth, [], plan).tally.counts["excursion missed"] == 1
    late = Told(380, "raised", "dry", tub, tub, "tolerable", "medium", "x")
    assert _score(truth, [late], plan).tally.counts["excursion late"] == 1
    right = Told(361, "raised", "dry", tub, tub, "tolerable", "medium", "x")
    counts = _score(truth, [right], plan).tally.counts
    assert counts["excursion missed"] == counts["excursion late"] == counts["false alert"] == 0
    false = Told(100, "raised", "hot", tub, tub, "tolerable", "urgent", "y")
    assert _score(truth, [right, false], plan).tally.counts["false urgent"] == 1


def test_judge_on_a_small_portion() -> None:
    """On four days of a rack nothing is missed or told late, nothing is told from bad readings, calm air is silent."""
    for make in (MAKES[0], MAKES[12]):
        result = run(plan_rack(make, 11, 6, 6))
        tally, bare = result.tallies["judge"], result.tallies["bare threshold"]
        counts = tally.counts
        assert counts["excursion missed"] == counts["excursion late"] == 0, tally.cases
        assert counts["excursion from bad readings"] == 0, tally.cases
        assert counts["false alert"] <= 1, tally.cases
        assert counts["false urgent"] == 0, tally.cases
        assert bare.counts["false alert"] > 10 * counts["false alert"]
        assert result.good_counted >= 0.995 * result.good_readings


@pytest.mark.parametrize("physics", ["planted", "shell", "vivaria", "elsewhere"])
def test_judge_under_other_physics(physics: str) -> None:
    """The same of racks of another nature: rained on every evening, in shells, in an unheated room. A stopped heater was once told after each rain."""
    false = 0
    for make in (MAKES[0], MAKES[3]):
        tally = run(vary(plan_rack(make, 7, 4, 6), physics)).tallies["judge"]
        assert tally.counts["excursion missed"] == tally.counts["excursion late"] == 0, tally.cases
        false += tally.counts["false alert"]
    assert false <= 1


@pytest.mark.parametrize("trouble", TROUBLES)
def test_fast_overheating_is_told_within_two_samples(trouble: str) -> None:
    """From 0.5 to 5 °C a minute, whatever else happens, `hot` is told at the second sample beyond."""
    for rate in RATES_C_PER_MINUTE:
        found = ramp(rate, trouble, 1)
        assert found.samples is not None, found
        assert found.samples <= 2, found


def test_stream_holds_duplicates_and_late_rows() -> None:
    """The stream the judge gets has rows that come twice and rows that come a poll late."""
    plan = plan_rack(MAKES[0], 1, 7, 6)
    readings = [item for _, items in chunks(build(plan)) for item in items if isinstance(item, Reading)]
    assert sum(a == b for a, b in pairwise(readings)) > 5
    assert sum(a.time > b.time for a, b in pairwise(readings)) > 5
