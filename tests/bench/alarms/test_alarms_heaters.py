"""A small portion of the heater suite, and its physics held to its own word."""

from __future__ import annotations

from itertools import pairwise
from random import Random

import pytest
from tests.bench.alarms.bench_air import DAY
from tests.bench.alarms.bench_heater import Case, Heater, Trouble, air_of, draw
from tests.bench.alarms.heaters import measure


def _quiet(hysteresis_c: float = 0.4, trouble: Trouble | None = None) -> tuple[Heater, Case]:
    case = draw("stuck on", 1, room_probe=True)
    heater = Heater("T", 29.0, 29.0, hysteresis_c, 16.0, 3, 40, 8, 3, 65, 0.0, [trouble] if trouble else [])
    return heater, case


def _periods(warm: list[float], set_c: float) -> list[int]:
    ups = [m for m, (a, b) in enumerate(pairwise(warm)) if a < set_c <= b]
    return [b - a for a, b in pairwise(ups) if b - a > 4]


def test_thermostats_swing_as_slowly_as_their_masses_and_a_proportional_one_hardly() -> None:
    """On/off control swings with a period that grows with the masses, proportional control by little more than its noise."""
    heater, case = _quiet()
    usual = list(air_of(heater, case, Random(1))[0])[DAY : 3 * DAY]
    heater.mass_minutes, heater.air_minutes, heater.sensor_minutes, heater.hysteresis_c = 110, 18, 6, 0.8
    slow = list(air_of(heater, case, Random(1))[0])[DAY : 3 * DAY]
    quick_heater, _ = _quiet(0.0)
    even = sorted(air_of(quick_heater, case, Random(1))[0][DAY : 3 * DAY])
    middle = [sorted(_periods(warm, 29.0))[len(_periods(warm, 29.0)) // 2] for warm in (usual, slow)]
    assert 20 <= middle[0] < 60 <= middle[1] < 150
    assert even[-len(even) // 20] - even[len(even) // 20] < 1.2


def test_a_stuck_heater_comes_to_its_full_rise_and_one_switched_off_to_its_room() -> None:
    """Ten hours at full power end where power and losses meet; ten without end at the room."""
    for what, above in (("stuck", 16.0), ("off", 0.0)):
        heater, case = _quiet(trouble=Trouble(2 * DAY, 2 * DAY + 600, what))  # type: ignore[arg-type]
        warm = air_of(heater, case, Random(1))[0]
        last = 2 * DAY + 599
        assert warm[last] - case.room_c[last] == pytest.approx(above, abs=0.8)


def test_the_same_seed_draws_the_same_heaters() -> None:
    """A case drawn twice is the same to the last reading, so every case can be looked at again."""
    one, two = (draw("power cut", 7, room_probe=False) for _ in range(2))
    assert one == two
    assert air_of(one.heaters[2], one, Random(3)) == air_of(two.heaters[2], two, Random(3))


@pytest.mark.parametrize("room_probe", [True, False])
def test_the_judge_on_a_cut_and_on_stuck_heaters(room_probe: bool) -> None:
    """One tuning seed: a cut has one cause and is over when it is over; what sticks is told, and not over while hot."""
    cut = measure(("power cut", 4, room_probe)).counts
    assert cut["cuts, one cause"] == cut["cuts told"] == 1
    assert cut["mended, over in time"] == cut["mended"] >= 5
    assert cut["over before the mend"] == 0
    stuck = measure(("stuck on", 4, room_probe))
    assert stuck.counts["cleared while hot"] == 0, stuck.notes
    assert stuck.counts["stuck, warned in time by any name"] == stuck.counts["stuck"] > 0
    assert 2 * stuck.counts["stuck, warned in time"] >= stuck.counts["stuck"]
    assert stuck.counts["stuck, mended, over"] == stuck.counts["stuck, mended"]
