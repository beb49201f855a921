"""A damaged or vanished database: set aside, replaced by the newest good copy or a fresh file, and told.

Sensors are worth more than history: whatever the file looks like, the daemon must be able to record a minute later.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from dewkeeper.clock import Clock
from dewkeeper.store.backup import newest_good, restore, set_aside
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.errors import BackupFailed, StoreDamaged
from dewkeeper.store.lock import WriterLock, used_before
from dewkeeper.store.salvage import take_over
from dewkeeper.store.store import Store
from dewkeeper_config.models import Storage


@dataclass(frozen=True, slots=True)
class Rescue:
    """What was done. restored: the copy now in use, None for a fresh file; salvaged: readings taken over besides."""

    why: str
    aside: Path | None
    restored: Path | None
    readings: int = 0
    salvaged: int = 0

    def text(self) -> str:
        """Say it to the keeper."""
        what = f"The database was {self.why}"
        if self.aside is not None:
            what += f" and set aside as {self.aside.name}"
        if self.restored is None:
            after = "There was no good backup: recording began anew, older history is missing."
        else:
            after = f"Backup {self.restored.name} with {self.readings} readings is in use."
        if self.salvaged:
            after += f" {self.salvaged} later readings could still be read from the damaged file and were taken over."
        elif self.restored is not None:
            after += " What came after it is missing."
        return f"{what}. {after} Look at the card: it may be dying, or the power failing."


def open_or_rescue(folder: Path, storage: Storage, clock: Clock, damaged: str = "") -> tuple[Store, Rescue | None]:
    """Open the store; a damaged file is set aside first. Raises StoreUnusable for every other reason.

    damaged: why a file that was in use is, whatever opening it finds: the check at the start does not read all of it.
    """
    if used_before(folder) and not (folder / FILE_NAME).exists():
        return _rescue(folder, storage, clock, "gone", None)
    if not damaged:
        try:
            return Store.open(folder, storage, clock), None
        except StoreDamaged as error:
            damaged = str(error)
    with WriterLock(folder, "the daemon, setting a damaged database aside"):
        aside = set_aside(folder, int(clock.wall()), "damaged")
    return _rescue(folder, storage, clock, damaged.removeprefix("the database file is "), aside)


def _rescue(
    folder: Path, storage: Storage, clock: Clock, why: str, aside: Path | None
) -> tuple[Store, Rescue]:
    good = newest_good(storage.backup.folder)
    with WriterLock(folder, "the daemon, bringing a backup back"):
        if good is not None:
            try:
                restore(good.path, folder, int(clock.wall()))
            except BackupFailed:
                good = None  # the card takes no copy of it: a fresh small file is the last resort
    store = Store.open(folder, storage, clock)
    salvaged = 0
    if aside is not None:
        with suppress(sqlite3.Error), closing(sqlite3.connect(f"file:{aside}?mode=ro", uri=True)) as damaged:
            salvaged = take_over(store, damaged, int(clock.wall()) + 3600)
    return store, Rescue(why, aside, good.path if good else None, good.readings if good else 0, salvaged)
