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


class Service:
    """A time service: says whether it has set the clock."""

    def __init__(self, said: bool | None) -> None:
        self.said = said

    def __call__(self) -> bool | None:
        return self.said


def test_what_was_stamped_before_the_clock_was_set_is_dated_by_the_step() -> None:
    """A machine that boots at its last saved time, past the floor: the step dates everything since the start."""
    clock, service = ManualClock(wall=1_700_000_000.0), Service(False)
    timeline = Timeline(clock, floor=1_699_999_000, synchronised=service, boot="b")
    assert timeline.doubt is not None
    assert timeline.doubt.since == 1_700_000_000
    assert not timeline.trusted()
    clock.advance(1200)
    assert timeline.check() is None
    clock.step(7 * 3600)
    service.said = True
    rebase = timeline.check()
    assert rebase is not None
    assert (rebase.step_seconds, rebase.dates_since) == (7 * 3600, 1_700_000_000)
    assert timeline.doubt is None
    assert timeline.trusted()
    clock.step(-600)
    later = timeline.check()
    assert later is not None
    assert later.dates_since is None  # what a set clock stamped is not moved by whoever plays with it


def test_a_rack_without_network_has_a_calendar_after_an_hour() -> None:
    """No time service ever answers: the clock stays in doubt, but an hour after the start the calendar goes by it."""
    clock = ManualClock(wall=1_700_000_000.0)
    timeline = Timeline(clock, synchronised=Service(False))
    clock.advance(3600)
    timeline.check()
    assert timeline.trusted()
    assert timeline.doubt is not None


def test_the_next_process_of_the_same_boot_goes_on() -> None:
    """Restarted before the clock was set: stamps go on by the same monotonic clock, and all of them are dated."""
    clock, service = ManualClock(wall=1_000_000.0), Service(False)
    first = Timeline(clock, 1_700_000_000, service, "b")
    clock.advance(300)
    second = Timeline(clock, 1_700_000_250, service, "b", first.doubt)
    assert second.now() == first.now()
    other = Timeline(clock, 1_700_000_250, service, "another boot", first.doubt)
    assert other.now() == 1_700_000_251
    clock.step(1_700_090_000 - clock.wall())
    service.said = True
    rebase = second.check()
    assert rebase is not None
    assert rebase.dates_since == 1_700_000_001


def test_a_leap_of_years_is_not_believed_and_taken_back_with_what_it_stamped() -> None:
    """Ten years ahead and back: no calendar in between, and the stamps of the meantime are put right."""
    clock = ManualClock(wall=1_700_000_000.0)
    timeline = Timeline(clock, 1_699_999_990)
    clock.step(10 * 365 * 86400)
    leap = timeline.check()
    assert leap is not None
    assert leap.dates_since is None
    assert not timeline.trusted()
    clock.advance(600)
    clock.step(-10 * 365 * 86400)
    back = timeline.check()
    assert back is not None
    assert back.dates_since == leap.time
    assert timeline.trusted()
    assert timeline.doubt is None


def test_a_start_years_ahead_is_not_believed() -> None:
    """The clock leapt while the machine was off: no calendar, and the stamps move back with it."""
    clock = ManualClock(wall=1_700_000_000.0 + 10 * 365 * 86400)
    timeline = Timeline(clock, floor=1_699_999_000)
    assert not timeline.trusted()
    clock.advance(600)
    clock.step(-10 * 365 * 86400)
    back = timeline.check()
    assert back is not None
    assert back.dates_since == 1_700_000_000 + 10 * 365 * 86400
    assert timeline.trusted()


def test_a_leap_that_stays_is_believed_after_a_day() -> None:
    """A machine that was off for years and has no time service: its calendar begins a day later."""
    clock = ManualClock(wall=1_700_000_000.0)
    timeline = Timeline(clock)
    clock.step(3 * 365 * 86400)
    timeline.check()
    clock.advance(86400)
    assert timeline.check() is None
    assert timeline.trusted()
    assert timeline.doubt is None
