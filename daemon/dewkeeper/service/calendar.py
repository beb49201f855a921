"""The calendar: what is done once a day, a month or every few minutes.

What is due follows from when it was last done and from now, nothing else; so a missed, doubled or stepped clock does
no harm. APScheduler only wakes us; it is armed anew after every step, because its next run is wall time.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from dewkeeper.left_out import asyncio_put_off
from dewkeeper.slots import Rule, is_due

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Task:
    """One entry. `grace_seconds`: later than this after its moment it is left for the next one (0: never too late)."""

    name: str
    rule: Rule
    work: Callable[[], None]
    grace_seconds: int = 0


class WakeTimer(Protocol):
    """What wakes the calendar."""

    def arm(self, at: Sequence[int], ring: Callable[[], None]) -> None:
        """Call `ring` soon after each of these UTC seconds; replaces what was armed before."""
        ...

    def stop(self) -> None:
        """Never ring again."""
        ...


class SchedulerAlarm:
    """APScheduler, with a memory job store, in UTC, one worker thread, every job at most once at a time."""

    def __init__(self) -> None:
        with asyncio_put_off():
            from apscheduler.executors.pool import ThreadPoolExecutor
            from apscheduler.schedulers.background import BackgroundScheduler

        self._scheduler = BackgroundScheduler(
            # APScheduler drops a run that comes a second late unless told otherwise; what is too late, `Task` says.
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": 12 * 3600},
        )
        self._scheduler.start()

    def arm(self, at: Sequence[int], ring: Callable[[], None]) -> None:
        """Plan one run at each moment; a run in the past happens at once."""
        self._scheduler.remove_all_jobs()
        for second in sorted(set(at)):
            self._scheduler.add_job(ring, "date", run_date=datetime.fromtimestamp(second, UTC))

    def stop(self) -> None:
        """Shut the scheduler down."""
        self._scheduler.shutdown(wait=False)


class SilentAlarm:
    """Never rings: whoever moves a manual clock calls `Calendar.run_due` instead."""

    def arm(self, at: Sequence[int], ring: Callable[[], None]) -> None:
        """Do nothing."""

    def stop(self) -> None:
        """Do nothing."""


class Calendar:
    """Runs what is due and remembers it.

    now: UTC seconds. trusted: whether that clock may be believed; nothing is done before it may.
    remember: stores when a task was done. done: what was remembered before this start.
    """

    def __init__(
        self,
        tasks: Sequence[Task],
        alarm: WakeTimer,
        now: Callable[[], int],
        trusted: Callable[[], bool],
        remember: Callable[[str, int], None],
        done: dict[str, int],
    ) -> None:
        self._tasks = tuple(tasks)
        self._alarm = alarm
        self._now = now
        self._trusted = trusted
        self._remember = remember
        self._done = done
        self._lock = threading.Lock()
        self._stopped = False

    def run_due(self) -> None:
        """Do what is due and arm the alarm for what comes next. Never raises; a failed task is tried at its next slot."""
        with self._lock:
            if self._stopped:
                return
            now = self._now()
            if self._trusted():
                for task in self._tasks:
                    if is_due(task.rule, task.grace_seconds, self._done.get(task.name), now):
                        self._run(task, now)
            self._alarm.arm([task.rule.next_slot(now) for task in self._tasks], self.run_due)

    def stop(self) -> None:
        """Do nothing any more."""
        self._stopped = True  # without the lock: a task that is under way may hold it for long
        self._alarm.stop()

    def _run(self, task: Task, now: int) -> None:
        # Remembered first: a task that kills the process must not do so again at every start.
        self._done[task.name] = now
        self._remember(task.name, now)
        try:
            task.work()
        except Exception:
            log.exception("calendar: %s failed", task.name)
