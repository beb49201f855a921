"""A dispatcher at work on an outbox in memory or a real one, by a clock that is moved by hand."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.servers.receiver import Answer

from dewkeeper.clock import ManualClock
from dewkeeper.judge.types import SystemReport
from dewkeeper.notify.dispatcher import Dispatcher
from dewkeeper.store import History, Store
from dewkeeper.store.records import Batch, DeliveryResult, Message
from dewkeeper_config.door import checked
from dewkeeper_config.models import Config

START = 1_790_000_000
REPLY_LOST = Answer(manner="reset_after")
REFUSED = Answer(manner="reset_before")


class Outbox:
    """Rows in memory, with the reading method of the store and results applied as the writer would."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.rows: dict[str, Message] = {}
        self.reads = 0

    def add(self, *messages: Message) -> None:
        with self._lock:
            self.rows |= {message.id: message for message in messages}

    def messages_due(
        self, now: int, channels: Sequence[str] | None = None, elapsed: int | None = None
    ) -> Sequence[Message]:
        with self._lock:
            self.reads += 1
            return [
                r for r in self.rows.values()
                if r.state == "pending" and r.not_before <= now and r.next_try <= (now if elapsed is None else elapsed)
                and (channels is None or r.channel in channels)
            ]  # fmt: skip

    def seconds_to_due(self, now: int, elapsed: int | None = None) -> int | None:
        past = now if elapsed is None else elapsed
        with self._lock:
            waits = [max(r.not_before - now, r.next_try - past) for r in self.rows.values() if r.state == "pending"]
        return min((wait for wait in waits if wait > 0), default=None)

    def close(self) -> None:
        """Nothing to let go of."""

    def apply(self, result: DeliveryResult) -> None:
        with self._lock:
            row = self.rows.get(result.message)
            if row is not None and row.state == "pending":
                self.rows[row.id] = replace(
                    row, state=result.state, attempts=result.attempts, next_try=result.next_try, last_error=result.error
                )

    def states(self) -> dict[str, str]:
        with self._lock:
            return {row.id: row.state for row in self.rows.values()}


class Running:
    """A dispatcher at work on an outbox in memory, by a clock that is moved by hand."""

    def __init__(
        self, config: Config, *stored: Message, wall: float = START, folder: Path | None = None, store: Store | None = None,
        clock: ManualClock | None = None, **more: Any,
    ) -> None:  # fmt: skip
        self.clock = clock or ManualClock(wall=wall)
        self.outbox = Outbox()
        self.outbox.add(*stored)
        self.reports: list[SystemReport] = []
        apply = self.outbox.apply if store is None else lambda result: store.commit(Batch(deliveries=(result,)))
        self.dispatcher = Dispatcher(
            config,
            lambda: self.outbox if folder is None else History.open(folder),
            self.clock,
            apply,
            self.reports.append,
            **more,
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.dispatcher.run, args=(self._stop,), name="dispatcher")
        self._thread.start()

    def add(self, *messages: Message) -> None:
        """Store rows and wake the dispatcher, as the writer does; return when nothing more happens now."""
        self.outbox.add(*messages)
        self.dispatcher.wake.set()
        self.clock.settle()

    def stop(self) -> None:
        self._stop.set()
        self.dispatcher.wake.set()
        self._thread.join()


@contextmanager
def running(config: Config, *stored: Message, **more: Any) -> Iterator[Running]:
    """Run a dispatcher for the length of a block; these rows were stored before it starts. more: as for `Dispatcher`."""
    made = Running(config, *stored, **more)
    try:
        yield made
    finally:
        made.stop()


def config(
    channels: dict[str, str],
    people: dict[str, list[str]] | None = None,
    notify: dict[str, Any] | None = None,
    **more: Any,
) -> Config:
    """Return a small configuration: channel name -> address, person -> channels. more: of every channel.

    The deadline of a send is real time: long, so that a busy machine breaks none, but where a server is to be silent.
    """
    return checked(
        Config,
        {
            "rack": [{"name": "left"}],
            "enclosure": [{"name": "B4", "rack": "left"}],
            "probe": [{"name": "b4", "enclosure": "B4"}],
            "channel": [
                {"kind": "webhook", "name": n, "url": u, "timeout_seconds": 30.0, **more} for n, u in channels.items()
            ],
            "person": [{"name": n, "channels": c} for n, c in (people or {"Marit": list(channels)}).items()],
            "notify": notify or {},
        },
    )


def message(identity: str, **more: Any) -> Message:
    """Return a row of the outbox."""
    facts: dict[str, Any] = {"happening": "raised", "kind": "dry", "since": START - 3600, "enclosure": "B4"}
    facts |= more.pop("facts", {})
    known: dict[str, Any] = {
        "created": START, "person": "Marit", "channel": "phone", "title": f"title of {identity}", "lines": ("more",),
        "priority": "medium", "kind": "dry", "alarm": f"alarm of {identity}", "event": f"event of {identity}",
    }  # fmt: skip
    return Message(id=identity, facts=facts, **(known | more))
