"""The manual clock: time by command."""

from __future__ import annotations

import threading

import pytest

from dewkeeper.clock import ManualClock


def test_time_stands_still_until_told() -> None:
    """Neither clock moves by itself, and a step moves only the wall clock."""
    clock = ManualClock(wall=5_000.0, monotonic=10.0)
    clock.step(-3600)
    assert (clock.wall(), clock.monotonic()) == (1_400.0, 10.0)
    clock.advance(60)
    assert (clock.wall(), clock.monotonic()) == (1_460.0, 70.0)


def test_waiters_wake_in_their_order() -> None:
    """`advance` stops at every moment somebody waits for and lets the thread act before it goes on."""
    clock = ManualClock(monotonic=0.0)
    stop = threading.Event()
    seen: list[tuple[str, float]] = []
    ready = threading.Barrier(3)

    def every(name: str, seconds: float) -> None:
        ready.wait()
        while not clock.wait(stop, seconds):
            seen.append((name, clock.monotonic()))

    threads = [threading.Thread(target=every, args=args) for args in (("a", 20.0), ("b", 30.0))]
    for thread in threads:
        thread.start()
    ready.wait()
    while len(clock._members) < 2:  # both have reached their first wait
        pass
    clock.advance(60)
    stop.set()
    for thread in threads:
        thread.join()
    assert sorted(seen) == [("a", 20.0), ("a", 40.0), ("a", 60.0), ("b", 30.0), ("b", 60.0)]
    assert [at for _, at in seen] == sorted(at for _, at in seen)


def test_settle_names_the_thread_that_does_not_wait() -> None:
    """A thread that works on for ever is named instead of hanging the test."""
    clock = ManualClock()
    hold, entered, never = threading.Event(), threading.Event(), threading.Event()

    def work() -> None:
        clock.wait(entered, None)
        hold.wait()

    thread = threading.Thread(target=work, name="busy-one")
    thread.start()
    while not clock._members:
        pass
    entered.set()
    with pytest.raises(TimeoutError, match="busy-one"):
        clock.settle(patience_seconds=0.2)
    hold.set()
    thread.join()
    assert not never.is_set()


def test_a_thread_that_has_not_come_yet_is_waited_for() -> None:
    """`expect` returns once a thread of that name waits here, and says when none comes."""
    clock, stop, go = ManualClock(), threading.Event(), threading.Event()
    assert not clock.expect("late", patience_seconds=0.0)

    def late() -> None:
        go.wait()
        clock.wait(stop, None)

    thread = threading.Thread(target=late, name="late")
    thread.start()
    go.set()
    assert clock.expect("late")
    stop.set()
    thread.join()
    assert not clock.expect("late", patience_seconds=0.0)
