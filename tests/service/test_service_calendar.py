"""What is due follows from last-done and now."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewkeeper.service.calendar import Calendar, Task
from dewkeeper.slots import Daily, Every, is_due

ZONES = [ZoneInfo("Europe/Vienna"), ZoneInfo("America/New_York"), ZoneInfo("Australia/Lord_Howe")]
_SOME_DAY = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp())


@pytest.mark.parametrize("zone", ZONES, ids=str)
@given(at=st.times(), start=st.integers(_SOME_DAY, _SOME_DAY + 300 * 86400))
def test_daily_happens_once_each_local_day(zone: ZoneInfo, at: time, start: int) -> None:
    """Over ten days, DST nights included, a daily task asked every half hour runs ten times, give or take the ends."""
    rule = Daily(at.replace(tzinfo=None), zone)
    done: int | None = rule.latest_slot(start)
    runs = 0
    for now in range(start, start + 10 * 86400, 1800):
        if is_due(rule, 0, done, now):
            runs += 1
            done = now
    days = datetime.fromtimestamp(start + 10 * 86400, zone) - datetime.fromtimestamp(start, zone)
    assert abs(runs - days / timedelta(days=1)) <= 1


def test_autumn_hour_that_comes_twice_runs_once() -> None:
    """02:30 exists twice on 25 October 2026 in Vienna; the task runs at one of them."""
    rule = Daily(time(2, 30), ZONES[0])
    night = int(datetime(2026, 10, 24, 20, 0, tzinfo=UTC).timestamp())
    done, runs = rule.latest_slot(night), 0
    for now in range(night, night + 10 * 3600, 600):
        if is_due(rule, 0, done, now):
            done, runs = now, runs + 1
    assert runs == 1


def test_a_clock_that_was_ahead_does_not_silence_a_task() -> None:
    """A task remembered as done in the future counts as not done."""
    assert is_due(Every(3600), 0, last_done=2_000_000_000, now=1_800_000_000)


def test_late_beyond_grace_is_left_for_the_next_slot() -> None:
    """A morning message four hours late is not sent at noon."""
    rule = Daily(time(7, 0), ZoneInfo("UTC"))
    noon = int(datetime(2026, 3, 1, 12, 0, tzinfo=UTC).timestamp())
    assert not is_due(rule, 3 * 3600, noon - 2 * 86400, noon)
    assert is_due(rule, 6 * 3600, noon - 2 * 86400, noon)


class _Bell:
    """An alarm that remembers what it was armed with."""

    def __init__(self) -> None:
        self.at: list[int] = []

    def arm(self, at: Sequence[int], ring: Callable[[], None]) -> None:
        """Remember."""
        self.at = list(at)

    def stop(self) -> None:
        """Forget."""
        self.at = []


def test_a_failing_task_does_not_stop_the_others() -> None:
    """One task raising leaves the rest running, is remembered as done, and the alarm is armed for the next slots."""
    done: list[str] = []
    remembered: dict[str, int] = {}

    def fails() -> None:
        raise RuntimeError("broken on purpose")

    bell = _Bell()
    tasks = [Task("a", Every(60), fails), Task("b", Every(60), lambda: done.append("b"))]
    calendar = Calendar(tasks, bell, lambda: 120, lambda: True, lambda n, t: remembered.update({n: t}), {})
    calendar.run_due()
    calendar.run_due()
    assert done == ["b"]
    assert remembered == {"a": 120, "b": 120}
    assert bell.at == [180, 180]
    calendar.stop()


def test_nothing_is_done_on_an_untrusted_clock() -> None:
    """Before the clock is trusted no task runs, but the alarm is armed."""
    ran: list[int] = []
    bell = _Bell()
    calendar = Calendar(
        [Task("a", Every(60), lambda: ran.append(1))], bell, lambda: 0, lambda: False, lambda *_: None, {}
    )
    calendar.run_due()
    assert not ran
    assert bell.at
