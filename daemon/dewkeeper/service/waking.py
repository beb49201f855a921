"""Waking up: what the start found, told once, and what the next process must know of this boot's clock."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence

from dewkeeper.clock import Clock
from dewkeeper.judge.types import SystemReport
from dewkeeper.notify.outage import Outage
from dewkeeper.report.off_times import NOTE, noted, off_times
from dewkeeper.report.wording import Wording
from dewkeeper.sampling.timeline import Doubt, Timeline
from dewkeeper.service.writer import Announcement, Note
from dewkeeper.store import History
from dewkeeper.store.errors import StoreError
from dewkeeper_config.models import Config

log = logging.getLogger(__name__)

_BOOT, _DOUBT, _TOLD = "boot", "clock doubt", "outage told"
_PATIENCE_SECONDS = 600
"""How long the message waits for the true time, without which it cannot say how long nothing was watched."""


def earlier_doubt(notes: Mapping[str, str]) -> Doubt | None:
    """Return what the process before could not date, if it is noted."""
    text = notes.get(_DOUBT)
    return Doubt(**json.loads(text)) if text else None


def found(config: Config, boot: str, notes: Mapping[str, str], last: int, *, disorder: bool) -> Outage | None:
    """Return how things were found; None on the very first start, or when the database does not answer."""
    if not last:
        return None
    try:
        with History.open(config.storage.folder) as history:
            newest = [(stored.reading, stored.quality) for stored in history.latest().values()]
            standing = history.standing()
    except StoreError:
        return None
    # Without a note, as on the first start of this version, no boot is claimed.
    rebooted = bool(boot) and notes.get(_BOOT, boot) != boot
    places = {p.name: p.enclosure for p in config.probe if p.enclosure is not None and p.role == "substrate"}
    return Outage(last, disorder, rebooted, newest, standing, places, config.site.poll_seconds)


class Waking:
    """Asked every round like a source of reports, and never has any."""

    def __init__(
        self,
        config: Config,
        clock: Clock,
        timeline: Timeline,
        boot: str,
        outage: Outage | None,
        notes: Mapping[str, str],
        post: Callable[[Note | Announcement], None],
    ) -> None:
        self._wording = Wording.of(config.site)
        self._clock = clock
        self._timeline = timeline
        self._outage = outage
        self._post = post
        self._began = clock.monotonic()
        self._told = int(notes.get(_TOLD) or 0)
        self._off = off_times(notes)
        self._noted = notes.get(_DOUBT, "")
        if notes.get(_BOOT, "") != boot:
            post(Note(_BOOT, boot))
        self.look()

    def look(self, _now: int = 0) -> Sequence[SystemReport]:
        """Keep the note of the clock's doubt current, and tell of the outage when its length is known."""
        # In this order: a time given before may be of before a step.
        doubt, now = self._timeline.doubt, self._timeline.now()
        text = "" if doubt is None else json.dumps({"since": doubt.since, "offset": doubt.offset, "boot": doubt.boot})
        if text != self._noted:
            self._noted = text
            self._post(Note(_DOUBT, text))
        awake = self._clock.monotonic() - self._began
        if self._outage is not None and (doubt is None or awake >= _PATIENCE_SECONDS):
            self._tell(self._outage, now, int(now - awake), clock_known=doubt is None)
            self._outage = None
        return ()

    def _tell(self, outage: Outage, now: int, began: int, *, clock_known: bool) -> None:
        if clock_known and began > outage.last:
            self._post(Note(NOTE, noted(self._off, outage.off_time(began))))
        if outage.worth_telling(began, self._told):
            log.warning("not watched for %d s", began - outage.last)
            self._post(Note(_TOLD, str(now)))
            self._post(Announcement(outage.draft(began, self._wording, clock_known=clock_known), now))
