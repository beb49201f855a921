"""The two clocks, injected everywhere: monotonic for what elapsed, wall for what is stored and shown.

`SystemClock` is the machine's. `ManualClock` moves by command only; it drives tests and the demonstration.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Protocol


class Clock(Protocol):
    """What every part that waits or dates is given."""

    def monotonic(self) -> float:
        """Return seconds that never step, from an arbitrary start."""
        ...

    def wall(self) -> float:
        """Return UTC seconds since 1970 as the machine believes them now; may step."""
        ...

    def wait(self, event: threading.Event, seconds: float | None) -> bool:
        """Wait until `event` is set or so many monotonic seconds passed (None: for ever); return whether it is set."""
        ...


class SystemClock:
    """The machine's clocks."""

    def monotonic(self) -> float:
        """Return `time.monotonic()`."""
        return time.monotonic()

    def wall(self) -> float:
        """Return `time.time()`."""
        return time.time()

    def wait(self, event: threading.Event, seconds: float | None) -> bool:
        """Wait on the event for at most `seconds` (None: for ever)."""
        return event.wait(seconds)


class ManualClock:
    """A clock that moves only when told.

    `advance` stops at every moment a waiting thread asked for, wakes it, and goes on only when every thread that
    ever waited here is waiting again without cause to run, or has ended: so a day passes in seconds and nothing depends
    on the speed of the machine.
    """

    def __init__(self, wall: float = 1_790_000_000.0, monotonic: float = 1_000.0) -> None:
        self._condition = threading.Condition()
        self._monotonic = monotonic
        self._wall_offset = wall - monotonic
        self._waiting: dict[int, tuple[threading.Event, float | None]] = {}
        self._members: dict[int, threading.Thread] = {}

    def monotonic(self) -> float:
        """Return the seconds told so far."""
        return self._monotonic

    def wall(self) -> float:
        """Return the wall clock: monotonic plus all steps."""
        return self._monotonic + self._wall_offset

    def step(self, seconds: float) -> None:
        """Step the wall clock; the monotonic one goes on undisturbed."""
        self._wall_offset += seconds

    def wait(self, event: threading.Event, seconds: float | None) -> bool:
        """Wait until the event is set or `advance` has passed so many seconds."""
        me = threading.get_ident()
        with self._condition:
            due = None if seconds is None else self._monotonic + seconds
            self._members[me] = threading.current_thread()
            self._waiting[me] = (event, due)
            self._condition.notify_all()
            try:
                while not event.is_set() and (due is None or self._monotonic < due):
                    self._condition.wait(0.002)
            finally:
                del self._waiting[me]
            return event.is_set()

    def expect(self, name: str, patience_seconds: float = 5.0) -> bool:
        """Return whether a thread of this name waits here or has, waiting so many real seconds for it.

        `advance` cannot consider a thread that has been started and has not come here yet.
        """

        def came() -> bool:
            return any(thread.name == name and thread.is_alive() for thread in self._members.values())

        with self._condition:
            return self._condition.wait_for(came, patience_seconds)

    def settle(self, patience_seconds: float = 60.0) -> None:
        """Return when every member waits without cause to run. Raises TimeoutError after so many real seconds."""
        give_up = time.monotonic() + patience_seconds
        with self._condition:
            while not self._idle():
                if time.monotonic() > give_up:
                    busy = [t.name for i, t in self._members.items() if i not in self._waiting]
                    raise TimeoutError(f"threads still running: {busy}")
                self._condition.wait(0.002)

    def advance(self, seconds: float, each: Callable[[], None] | None = None) -> None:
        """Let so many seconds pass, settling at every moment somebody waits for; `each` is called at those moments."""
        end = self._monotonic + seconds
        self.settle()
        while self._monotonic < end:
            with self._condition:
                dues = [due for _, due in self._waiting.values() if due is not None and due > self._monotonic]
                self._monotonic = min([*dues, end])
                self._condition.notify_all()
            self.settle()
            if each is not None:
                each()

    def _idle(self) -> bool:
        for me, thread in list(self._members.items()):
            if not thread.is_alive():
                self._members.pop(me, None)
                continue
            waiting = self._waiting.get(me)
            if waiting is None:
                return False
            event, due = waiting
            if event.is_set() or (due is not None and self._monotonic >= due):
                return False
        return True
