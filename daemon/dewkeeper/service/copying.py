"""The nightly copy, made in a thread of its own: a slow drive must hold up neither heartbeats nor the rest of the calendar."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from dewkeeper.judge.types import SystemReport
from dewkeeper.store.backup import back_up
from dewkeeper.store.drive import crowded
from dewkeeper.store.errors import DatabaseAtFault, StoreError
from dewkeeper_config.models import Backup

log = logging.getLogger(__name__)


class NightlyCopy:
    """before: what is done first, in the same thread. now: UTC seconds.

    rescue: told why the database is damaged, takes over what it still gives, and returns whether there is one to copy.
    """

    def __init__(
        self, folder: Path, settings: Backup, before: Callable[[], None], now: Callable[[], int],
        rescue: Callable[[str], bool],
    ) -> None:  # fmt: skip
        self._rescue = rescue
        self._folder = folder
        self._settings = settings
        self._before = before
        self._now = now
        self._trouble = ""
        self._crowded = False
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin a copy, if copies are wanted. One that has not ended since yesterday is left alone, and told."""
        if self._settings.folder is None:
            return
        if self._thread is not None and self._thread.is_alive():
            self._trouble = f"the copy begun before has not ended; {self._settings.folder} may be failing"
            log.error("backup: %s", self._trouble)
            return
        self._thread = threading.Thread(target=self._copy, name="backup", daemon=True)
        self._thread.start()

    def join(self, seconds: float) -> None:
        """Wait so long for the copy under way. What is not whole by then is no copy, and is cleared away by the next."""
        if self._thread is not None:
            self._thread.join(seconds)

    def reports(self, now: int) -> Sequence[SystemReport]:
        """Return how it stands."""
        room = "the backup drive has no room for one copy more: for each new one the oldest is given up"
        return [
            SystemReport(
                now,
                "backup",
                bool(self._trouble),
                f"no backup: {self._trouble}",
                response="is the backup’s stick plugged in, and not full? if so, try another one: guide, “Backup”",
                consequence="it still watches, tells and records; if this card dies, what is on no copy is lost",
            ),
            SystemReport(now, "backup drive", self._crowded, room, priority="low"),
        ]

    def _copy(self) -> None:
        try:
            self._before()
            try:
                copy = back_up(self._folder, self._settings, self._now())
            except DatabaseAtFault as error:
                if not self._rescue(error.why):
                    raise
                copy = back_up(self._folder, self._settings, self._now())
            self._crowded = crowded(copy.parent, copy)
        except (StoreError, OSError) as error:
            log.error("backup: %s", error)  # noqa: TRY400  one plain line, no stack
            self._trouble = str(error)
        except Exception as error:
            log.exception("backup")
            self._trouble = str(error)
        else:
            self._trouble = ""
