"""The two clocks, injected everywhere: monotonic for what elapsed, wall for what is stored and shown.

`SystemClock` is the machine's. `ManualClock` moves by command only; it drives tests and the demonstration.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
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


_LOOK_SECONDS = 0.005
"""How often, in real seconds, is looked for what nobody reports: an event that was set, a thread that has ended."""


@dataclass(frozen=True, slots=True)
class _Waiter:
    """A thread that waits on a manual clock. due: monotonic second; turn: notified when it has cause to run."""

    event: threading.Event
    due: float | None
    turn: threading.Condition

    def may_run(self, monotonic: float) -> bool:
        return self.event.is_set() or (self.due is not None and monotonic >= self.due)


class ManualClock:
    """A clock that moves only when told.

    `advance` stops at every moment a waiting thread asked for, wakes it, and goes on only when every thread that
    ever waited here is waiting again without cause to run, or has ended: so a day passes in seconds and nothing depends
    on the speed of the machine.
    """

    def __init__(self, wall: float = 1_790_000_000.0, monotonic: float = 1_000.0) -> None:
        self._lock = threading.Lock()
        self._came = threading.Condition(self._lock)
        self._monotonic = monotonic
        self._wall_offset = wall - monotonic
        self._waiting: dict[int, _Waiter] = {}
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
        with self._lock:
            due = None if seconds is None else self._monotonic + seconds
            waiter = _Waiter(event, due, threading.Condition(self._lock))
            self._members[me] = threading.current_thread()
            self._waiting[me] = waiter
            self._came.notify_all()
            try:
                while not waiter.may_run(self._monotonic):
                    waiter.turn.wait(_LOOK_SECONDS)
            finally:
                del self._waiting[me]
            return event.is_set()

    def expect(self, name: str, patience_seconds: float = 5.0) -> bool:
        """Return whether a thread of this name waits here or has, waiting so many real seconds for it.

        `advance` cannot consider a thread that has been started and has not come here yet.
        """

        def came() -> bool:
            return any(thread.name == name and thread.is_alive() for thread in self._members.values())

        with self._lock:
            return self._came.wait_for(came, patience_seconds)

    def settle(self, patience_seconds: float = 60.0) -> None:
        """Return when every member waits without cause to run. Raises TimeoutError after so many real seconds."""
        give_up = time.monotonic() + patience_seconds
        with self._lock:
            while not self._idle():
                if time.monotonic() > give_up:
                    busy = [t.name for i, t in self._members.items() if i not in self._waiting]
                    raise TimeoutError(f"threads still running: {busy}")
                self._came.wait(_LOOK_SECONDS)

    def advance(self, seconds: float, each: Callable[[], None] | None = None) -> None:
        """Let so many seconds pass, settling at every moment somebody waits for; `each` is called at those moments."""
        end = self._monotonic + seconds
        self.settle()
        while self._monotonic < end:
            with self._lock:
                # Who was due by now has run: `settle` came before.
                dues = [w.due for w in self._waiting.values() if w.due is not None and w.due > self._monotonic]
                self._monotonic = min([*dues, end])
            self.settle()
            if each is not None:
                each()

    def _idle(self) -> bool:
        """Return whether nobody has cause to run. Only who has is woken: a day is ten thousand such moments."""
        idle = True
        for me, thread in list(self._members.items()):
            waiter = self._waiting.get(me)
            if waiter is None:
                if thread.is_alive():
                    idle = False
                else:
                    # Its number may come back with another thread.
                    del self._members[me]
            elif waiter.may_run(self._monotonic):
                waiter.turn.notify()
                idle = False
        return idle
