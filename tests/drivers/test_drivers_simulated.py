"""The simulated probe and its faults."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from typing import Any

import pytest

from dewkeeper_drivers.errors import DriverUnusable, ProbeCrc, ProbeMissing
from dewkeeper_drivers.registry import open_probe
from dewkeeper_drivers.simulated import register_clock

Series = Callable[..., tuple[Any, list[float]]]


@pytest.fixture
def make(make_config: Any) -> Series:
    """Open a simulated probe on a clock that the test moves."""

    def opened(**options: Any) -> tuple[Any, list[float]]:
        now = [1_000_000.0]
        register_clock("simulated", lambda: now[0])
        config = make_config(None, driver="simulated", bus=None, options={"clock": "simulated", **options})
        return open_probe(config, None), now

    return opened


def _day(probe: Any, now: list[float], minutes: int = 1440) -> list[Any]:
    found = []
    for _ in range(minutes):
        found.append(probe.read())
        now[0] += 60
    return found


def test_same_time_same_reading(make: Series) -> None:
    """The series is a function of options and time: two runs agree, another seed differs."""
    first, again, other = (_day(*make(seed=seed), minutes=50) for seed in (1, 1, 2))
    assert first == again
    assert first != other


def test_healthy_day_swings_about_the_middle(make: Series) -> None:
    """A healthy day stays about the configured middle and never repeats ten pairs in a row."""
    day = _day(*make(humidity_percent=65.0, swing_percent=2.0))
    assert statistics.mean(s.humidity_percent for s in day) == pytest.approx(65.0, abs=0.1)
    assert max(s.humidity_percent for s in day) < 68.0
    pairs = [(s.temperature_word, s.humidity_word) for s in day]
    assert all(len(set(pairs[i : i + 10])) > 1 for i in range(len(pairs) - 10))


def test_drift_grows_with_time(make: Series) -> None:
    """A drifting probe is off by rate times time, from when its fault begins."""
    well, sick = make(), make(fault="drift", drift_percent_per_hour=2.0, fault_after_seconds=3600)
    pairs = zip(_day(*well, 301), _day(*sick, 301), strict=True)
    difference = [b.humidity_percent - a.humidity_percent for a, b in pairs]
    assert difference[59] == 0
    assert difference[300] == pytest.approx(8.0, abs=0.01)


def test_stuck_probe_repeats_its_words(make: Series) -> None:
    """A stuck probe gives the pair of the moment it stuck, for as long as the fault lasts."""
    day = _day(*make(fault="stick", fault_after_seconds=600, fault_for_seconds=1200), minutes=60)
    assert len(set(day[10:30])) == 1
    assert len(set(day[30:])) > 20


@pytest.mark.parametrize(("fault", "error"), [("drop", ProbeMissing), ("crc", ProbeCrc)])
def test_failing_probe_raises_then_recovers(make: Series, fault: str, error: type[Exception]) -> None:
    """A probe off the bus, or with damaged answers, raises its error in its time and works afterwards."""
    probe, now = make(fault=fault, fault_after_seconds=60, fault_for_seconds=60)
    probe.read()
    now[0] += 60
    with pytest.raises(error):
        probe.read()
    now[0] += 60
    probe.read()


def test_dropped_probe_cannot_be_opened(make: Series) -> None:
    """Opening a probe that is off the bus fails as on a real bus."""
    with pytest.raises(ProbeMissing):
        make(fault="drop")


def test_share_of_failures_is_as_asked(make: Series) -> None:
    """With `fault_share` about so many readings fail."""
    probe, now = make(fault="crc", fault_share=0.2)
    failed = 0
    for _ in range(1000):
        now[0] += 60
        try:
            probe.read()
        except ProbeCrc:
            failed += 1
    assert 150 < failed < 250


@pytest.mark.parametrize(("fault", "note"), [("heater", "heater_on"), ("restart", "reset_seen")])
def test_noted_faults(make: Series, fault: str, note: str) -> None:
    """A heater that is on and a restart are noted with the reading."""
    assert make(fault=fault)[0].read().notes == (note,)


def test_saturated_probe_is_full_scale(make: Series) -> None:
    """A saturated probe gives the largest humidity word."""
    assert make(fault="saturate")[0].read().humidity_word == 65535


@pytest.mark.parametrize("options", [{"fault": "melt"}, {"clock": "none such"}, {"seed": 1, "swing_c": "much"}])
def test_wrong_options_are_refused(make: Series, options: dict[str, Any]) -> None:
    """Unknown faults and clocks, and words for numbers, make the driver unusable as configured."""
    with pytest.raises(DriverUnusable):
        make(**options)
