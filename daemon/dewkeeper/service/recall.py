"""What the daemon knows when it starts: the judge as it was, or judged anew after a change of version."""

from __future__ import annotations

import logging
from collections import Counter
from pathlib import Path

from dewkeeper.judge import DumpUnreadable, Judge
from dewkeeper.judge.types import Item, Settings
from dewkeeper.report.replaying import LASTING, begin
from dewkeeper.service.writer import Submission, Writer
from dewkeeper.store import History, Store
from dewkeeper.store.errors import StoreError

log = logging.getLogger(__name__)

ANEW_SECONDS = 2 * 86400
"""So much of the past is judged again when the judge's memory is another version's: a day is what it looks back on."""


def recall(store: Store | None, folder: Path) -> tuple[Judge, int, bool]:
    """Return the judge as it was when the last stored item had been judged, that item's time, and if it has settings.

    Raises StoreError.
    """
    judge, knows_settings = Judge(), False
    if store is None:
        return judge, 0, False
    snapshot = store.snapshot()
    if snapshot is not None:
        try:
            judge, knows_settings = Judge.load(snapshot.data), True
        except DumpUnreadable as error:
            log.warning("the judge's memory is another version's, the last days are judged anew: %s", error)
            return _anew(folder, snapshot.time)
    for item in store.stream_after(snapshot):
        _feed(judge, item)  # what it says was stored with the item, under the same ids
        knows_settings = knows_settings or isinstance(item, Settings)
    # The judge's own time, which is after the snapshot's: readings go on from there, whatever the clock says.
    return judge, max(0, judge.time()), knows_settings


def _feed(judge: Judge, item: Item) -> None:
    try:
        judge.feed(item)
    except Exception:  # it would end every start for ever
        log.exception("a stored %s was not judged again", type(item).__name__)


def _anew(folder: Path, last: int) -> tuple[Judge, int, bool]:
    judge = Judge()
    since = last - ANEW_SECONDS
    with History.open(folder) as history:
        earlier = history.items_before(since, LASTING)
        knows_settings = any(isinstance(item, Settings) for item in earlier)
        started = False
        for item in history.stream(since):
            if not started:
                started = True
                begin(judge, None, earlier, item.time)
            _feed(judge, item)
            knows_settings = knows_settings or isinstance(item, Settings)
        standing = history.standing()
        events = history.events(min((alarm.raised for alarm in standing), default=last))
    counts = Counter(event.alarm for event in events)
    raised = {event.alarm for event in events if event.event == "raised"}
    if knows_settings:
        judge.adopt(standing, {alarm: counts[alarm] for alarm in raised})
    return judge, max(0, judge.time()), knows_settings


def recall_journal(writer: Writer, folder: Path, since: int) -> None:
    """Give the writer what the keeper did last: messages after a restart quote it too. since: UTC seconds."""
    try:
        with History.open(folder) as history:
            entries = history.journal(since=since)
    except (StoreError, OSError) as error:
        log.warning("the journal is not readable: %s", error)
        return
    for entry in entries:
        writer.remember(entry)


def recall_calibrations(writer: Writer, folder: Path) -> None:
    """Give the writer the stored calibrations, and the database those it lost."""
    try:
        with History.open(folder) as history:
            stored = history.calibrations().all()
    except (StoreError, OSError) as error:
        log.warning("the calibrations are not readable: %s", error)
        return
    known = writer.calibrations.all()
    for calibration in stored:
        if calibration not in known:
            writer.calibrations.add(calibration)
    for calibration in known:
        if calibration not in stored:
            writer.mailbox.put(Submission(calibration))
