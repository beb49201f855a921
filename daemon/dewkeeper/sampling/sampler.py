"""The sampler: a plain monotonic loop that has every probe read once a poll and hands the cycle on.

APScheduler is not used here: its next run is wall time, and a clock stepped back three hours stops it for three
hours. Missed slots are skipped, never caught up: an old slot cannot be measured any more.
"""

from __future__ import annotations

import logging
import threading
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace

from dewkeeper.clock import Clock
from dewkeeper.judge.types import Reading, Rebase
from dewkeeper.sampling.bus_reports import adapter_name
from dewkeeper.sampling.timeline import Timeline
from dewkeeper.sampling.worker import AdapterWorker
from dewkeeper_config.models import BusConfig, Config, ProbeConfig

log = logging.getLogger(__name__)

CYCLE_SHARE = 0.8
"""Share of a poll after which probes not yet read are given up for this cycle. The rest is for the cycle to be judged and
for a slow worker to come back: one that is still busy at the next poll reads nothing in it."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """One poll of every probe; or, without readings, a step of the clock."""

    time: int
    readings: tuple[Reading, ...]
    rebase: Rebase | None = None


class Sampler:
    """Owns the workers and the rhythm.

    deliver: called once a poll with the finished cycle. identify: called with (probe, serial) after every opening.
    doubt: what a probe's readings must carry because its sensor is not the one recorded, None if it is.
    `heartbeat` is the monotonic second of the last finished cycle; `slowest_seconds` the longest cycle so far.
    """

    def __init__(
        self,
        config: Config,
        clock: Clock,
        timeline: Timeline,
        deliver: Callable[[Cycle], None],
        identify: Callable[[str, int | None], None],
        doubt: Callable[[str], str | None],
    ) -> None:
        self._clock = clock
        self._doubt = doubt
        self._timeline = timeline
        self._deliver = deliver
        self._period = float(config.site.poll_seconds)
        self.workers = _workers(config, clock, identify)
        self.heartbeat = clock.monotonic()
        self.slowest_seconds = 0.0
        self._stopped = threading.Event()
        self.thread = threading.Thread(target=self._run, name="sampler", daemon=True)

    def start(self) -> None:
        """Start the workers and the loop."""
        for worker in self.workers:
            worker.start()
        self.thread.start()

    def stop(self, patience_seconds: float = 3.0) -> None:
        """End the loop and the workers; a worker blocked on its bus is left behind after so many real seconds."""
        self._stopped.set()
        for worker in self.workers:
            worker.stop()
        self.thread.join(patience_seconds)
        for worker in self.workers:
            worker.thread.join(patience_seconds)

    def stuck(self) -> dict[str, float]:
        """Return the workers that are busy and since how many seconds."""
        now = self._clock.monotonic()
        return {w.name: now - w.busy_since for w in self.workers if w.busy}

    def worked(self) -> set[str]:
        """Return the workers that have come back from their buses at least once."""
        return {worker.name for worker in self.workers if worker.worked}

    def _run(self) -> None:
        due = self._clock.monotonic()
        while not self._stopped.is_set():
            try:
                self._deliver(self._cycle())
            except Exception:  # one cycle is lost; the heartbeat, which does not move, tells of a second and third
                log.exception("sampler: a cycle failed")
            else:
                self.heartbeat = self._clock.monotonic()
            due += self._period
            now = self._clock.monotonic()
            if due <= now:  # overslept: skip what cannot be measured any more
                due = now + self._period
            self._clock.wait(self._stopped, due - self._clock.monotonic())

    def _cycle(self) -> Cycle:
        # At once, not with the readings: a report stamped meanwhile would overtake it, and the judge would be hours ahead.
        self._timeline.check(lambda rebase: self._deliver(Cycle(rebase.time, (), rebase)))
        at = self._timeline.now()
        began = self._clock.monotonic()
        collected = _Collected(len(self.workers))
        for worker in self.workers:
            if not worker.submit(_job(worker, at, collected)):
                collected.finish()
        self._clock.wait(collected.done, self._period * CYCLE_SHARE)
        readings = collected.close()
        for worker in self.workers:
            readings.extend(
                Reading(at, probe.name, None, None, failure="bus")
                for probe in worker.probes
                if probe.name not in collected.seen
            )
        self.slowest_seconds = max(self.slowest_seconds, self._clock.monotonic() - began)
        # Only now: of two exchanged sensors the first is understood when the second was heard.
        return Cycle(at, tuple(self._doubted(reading) for reading in readings))

    def _doubted(self, reading: Reading) -> Reading:
        note = None if reading.temperature_c is None else self._doubt(reading.probe)
        return reading if note is None else replace(reading, notes=(*reading.notes, note))


class _Collected:
    """The readings of one cycle as they arrive; after `close` late ones are dropped."""

    def __init__(self, workers: int) -> None:
        self._lock = threading.Lock()
        self._readings: list[Reading] = []
        self._missing = workers
        self._closed = False
        self.seen: set[str] = set()
        self.done = threading.Event()
        if workers == 0:
            self.done.set()

    def keep(self, reading: Reading) -> None:
        with self._lock:
            if not self._closed:  # else it was told as failed already, and a second has one reading of a probe
                self._readings.append(reading)
                self.seen.add(reading.probe)

    def finish(self) -> None:
        with self._lock:
            self._missing -= 1
            if self._missing == 0:
                self.done.set()

    def close(self) -> list[Reading]:
        with self._lock:
            self._closed = True
            return list(self._readings)


def _job(worker: AdapterWorker, at: int, collected: _Collected) -> Callable[[], None]:
    def job() -> None:
        try:
            worker.read_all(at, collected.keep)
        finally:
            collected.finish()

    return job


def _workers(config: Config, clock: Clock, identify: Callable[[str, int | None], None]) -> tuple[AdapterWorker, ...]:
    """Return one worker per physical adapter; probes without a bus (simulated, hwmon) share one more."""
    adapter_of = {bus.name: adapter_name(bus) for bus in config.bus}
    buses: dict[str, list[BusConfig]] = defaultdict(list)
    for bus in config.bus:
        buses[adapter_of[bus.name]].append(bus)
    probes: dict[str, list[ProbeConfig]] = defaultdict(list)
    for probe in config.probe:
        probes[adapter_of[probe.bus] if probe.bus is not None else "no bus"].append(probe)
    return tuple(AdapterWorker(name, buses.get(name, []), found, clock, identify) for name, found in probes.items())
