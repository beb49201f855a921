"""Dating readings while the wall clock misbehaves."""

from __future__ import annotations

import threading

from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import Rebase
from dewkeeper.sampling.timeline import STEP_SECONDS, Timeline


@given(st.lists(st.tuples(st.floats(0, 600), st.floats(-5e8, 5e8)), max_size=20))
def test_elapsed_time_survives_every_step(moves: list[tuple[float, float]]) -> None:
    """Stamps minus announced steps are elapsed seconds, and the timeline is never further off than a step is worth."""
    clock = ManualClock(wall=1e9, monotonic=0.0)
    timeline = Timeline(clock)
    first, announced = timeline.now(), 0
    for seconds, step in moves:
        clock.advance(seconds)
        clock.step(step)
        rebase = timeline.check()
        announced += rebase.step_seconds if rebase is not None else 0
        assert abs(timeline.now() - clock.wall()) <= STEP_SECONDS + 1
        assert abs(timeline.now() - first - announced - clock.monotonic()) <= 1


def test_small_drift_is_no_step() -> None:
    """What NTP slews away is not announced."""
    clock = ManualClock()
    timeline = Timeline(clock)
    clock.step(STEP_SECONDS - 0.5)
    assert timeline.check() is None


def test_floor_holds_a_clock_that_boots_in_the_past() -> None:
    """A machine that boots before its last stored reading is dated just after it until the true time arrives."""
    clock = ManualClock(wall=1_000_000.0)
    timeline = Timeline(clock, floor=1_700_000_000)
    assert timeline.now() == 1_700_000_001
    assert not timeline.trusted()
    clock.advance(60)
    assert timeline.check() is None
    assert timeline.now() == 1_700_000_061
    clock.step(1_700_500_000 - clock.wall())
    rebase = timeline.check()
    assert rebase is not None
    assert timeline.trusted()
    assert timeline.now() == 1_700_500_000


def test_nobody_is_given_a_time_after_a_step_before_it_is_announced() -> None:
    """Whoever asks for the time, or stamps with it, while a step is announced waits until it has been announced."""
    clock = ManualClock(wall=1e9, monotonic=0.0)
    timeline = Timeline(clock)
    told: list[str] = []
    askers = [
        threading.Thread(target=lambda: told.append(f"asked {timeline.now()}")),
        threading.Thread(target=lambda: timeline.stamped(lambda at: told.append(f"stamped {at}"))),
    ]

    def announce(rebase: Rebase) -> None:
        for asker in askers:
            asker.start()
            asker.join(0.05)
        told.append(f"step {rebase.step_seconds}")

    clock.step(3600)
    timeline.check(announce)
    for asker in askers:
        asker.join()
    assert told[0] == "step 3600"
    assert sorted(told[1:]) == ["asked 1000003600", "stamped 1000003600"]
