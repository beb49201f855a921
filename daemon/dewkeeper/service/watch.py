"""The watcher: are the threads alive, what is the daemon's own trouble, and may systemd be told that all is well?"""

from __future__ import annotations

import faulthandler
import logging
import threading
from collections.abc import Callable, Collection, Mapping, Sequence

from dewkeeper.clock import Clock
from dewkeeper.judge.types import SystemReport
from dewkeeper.service import systemd

log = logging.getLogger(__name__)

ROUND_SECONDS = 15.0  # several to the unit's WatchdogSec, so that one late round restarts nothing


class Heartbeats:
    """Ages of the parts that must be alive.

    parts: name -> (monotonic second of its last sign of life, seconds after which it counts as dead).
    """

    def __init__(self, clock: Clock, parts: Mapping[str, tuple[Callable[[], float], float]]) -> None:
        self._clock = clock
        self._parts = parts

    def ages(self) -> dict[str, float]:
        """Return name -> seconds since its last sign of life."""
        now = self._clock.monotonic()
        return {name: now - last() for name, (last, _) in self._parts.items()}

    def dead(self) -> list[str]:
        """Return the names of parts that gave no sign of life for too long."""
        ages = self.ages()
        return [name for name, (_, limit) in self._parts.items() if ages[name] > limit]


class Watch:
    """Feeds the watchdog only while every part is alive; reports troubles once when they begin and once when they end.

    sources: each returns the reports that describe its state now, troubles and the absence of trouble alike.
    standing: troubles told before this start, so that one which is over by now ends.
    """

    def __init__(
        self,
        clock: Clock,
        heartbeats: Heartbeats,
        sources: Sequence[Callable[[int], Sequence[SystemReport]]],
        now: Callable[[], int],
        report: Callable[[SystemReport], None],
        standing: Collection[str],
        hopeless: Callable[[], Sequence[str]],
    ) -> None:
        self._clock = clock
        self._heartbeats = heartbeats
        self.sources = list(sources)
        self._now = now
        self._report = report
        self._hopeless = hopeless
        self._known: dict[str, bool] = dict.fromkeys(standing, True)
        self._dumped = False
        self._stopped = threading.Event()
        self.thread = threading.Thread(target=self._run, name="watch", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self.thread.start()

    def stop(self) -> None:
        """End the thread."""
        self._stopped.set()
        self.thread.join(5.0)

    def round(self) -> None:
        """Look at everything once."""
        dead = self._heartbeats.dead()
        ended = [*dead, *(f"bus {adapter}" for adapter in self._hopeless())]
        if ended:
            log.error("no sign of life from: %s", ", ".join(ended))
            if not self._dumped:  # once says where each thread hangs; every round would fill the journal
                faulthandler.dump_traceback(all_threads=True)
                self._dumped = True
        else:
            systemd.notify("WATCHDOG=1")
            self._dumped = False
        now = self._now()
        for part in self._heartbeats.ages():
            self._tell(SystemReport(now, part, part in dead, f"{part} has stopped", priority="urgent"))
        for source in self.sources:
            try:
                for report in source(now):
                    self._tell(report)
            except Exception:
                log.exception("watch: a source failed")

    def _tell(self, report: SystemReport) -> None:
        """Pass on a change; what was never in trouble is not reported as cured."""
        if self._known.get(report.what, False) != report.trouble:
            self._known[report.what] = report.trouble
            (log.warning if report.trouble else log.info)(
                "%s: %s",
                report.what,
                ": ".join(filter(None, (report.text, report.response))) if report.trouble else "well again",
            )
            self._report(report)

    def _run(self) -> None:
        while not self._clock.wait(self._stopped, ROUND_SECONDS):
            try:
                self.round()
            except Exception:
                log.exception("watch: a round failed")
