"""A damaged or vanished database: set aside, replaced by what could be read of it and the newest good copy, and told.

Sensors are worth more than history: whatever the file looks like, the daemon must be able to record a minute later. But
nothing that can still be read is given up.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dewkeeper.clock import Clock
from dewkeeper.store.backup import Content, newest_good, put_in_place, restore, set_aside
from dewkeeper.store.database import FILE_NAME, plain_reason
from dewkeeper.store.errors import BackupFailed, StoreDamaged
from dewkeeper.store.lock import DAEMON, WriterLock, used_before
from dewkeeper.store.salvage import Salvage, salvage
from dewkeeper.store.store import Store
from dewkeeper_config.models import Storage

_MADE, _READY = f".{FILE_NAME}.rescuing", f".{FILE_NAME}.rescued"
"""A file on its way, and one that is whole: should the power fail now, the next start puts it in place."""


@dataclass(frozen=True, slots=True)
class Rescue:
    """What was done. restored: the copy now in use, None for another file; salvage: what was read of the damaged one.

    failed: why nothing was read of it, though something might have been. moved: nothing was lost, it only has a new file.
    """

    why: str
    aside: Path | None
    restored: Path | None
    readings: int = 0
    salvage: Salvage | None = None
    failed: str = ""
    moved: bool = False

    def text(self) -> str:
        """Say it to the keeper."""
        if self.moved:
            found = f" What lay in its place is now {self.aside.name}." if self.aside is not None else ""
            return f"{self.why[:1].upper()}{self.why[1:]}. It was written anew from the open one, nothing is missing.{found} Who did that?"
        what = f"The database was {self.why}"
        if self.aside is not None:
            what += f" and set aside as {self.aside.name}"
        if self.salvage is not None:
            after = self.salvage.text()
        elif self.restored is None:
            after = "There was no good backup: recording began anew, older history is missing."
        else:
            after = (
                f"Backup {self.restored.name} with {self.readings} readings is in use. What came after it is missing."
            )
        if self.failed:
            after += f" What the damaged file still holds could not be taken over: {self.failed}."
        return f"{what}. {after} Look at the card: it may be dying, or the power failing."


def open_or_rescue(
    folder: Path, storage: Storage, clock: Clock, damaged: str = "", alive: Callable[[], None] = lambda: None
) -> tuple[Store, Rescue | None]:
    """Open the store; a damaged file is set aside first. Raises StoreUnusable for every other reason.

    damaged: why a file that was in use is, whatever opening it finds: the check at the start does not read all of it.
    alive: called now and then while something takes minutes.
    """
    if used_before(folder) and not (folder / FILE_NAME).exists():
        if not (folder / _READY).exists():
            return _replace(folder, storage, clock, "gone", None, "")
        with WriterLock(folder, f"{DAEMON}, going on with a rescue"):
            put_in_place(folder / _READY, folder)
        return Store.open(folder, storage, clock), Rescue("damaged", None, None, 0, Salvage(""))
    if not damaged:
        try:
            return Store.open(folder, storage, clock), None
        except StoreDamaged as error:
            damaged = str(error)
    why, now = damaged.removeprefix("the database file is "), int(clock.wall())
    good = newest_good(storage.backup.folder)
    with WriterLock(folder, f"{DAEMON}, taking over what a damaged database still gives"):
        found, failed = _salvaged(folder, good, now, alive)
        aside = set_aside(folder, now, "damaged")
        if found is not None:
            put_in_place(folder / _READY, folder)
    if found is None:
        return _replace(folder, storage, clock, why, aside, failed, good)
    store = Store.open(folder, storage, clock)
    store.make_good(found.unread, alive)
    return store, Rescue(why, aside, None, 0, found)


def rehome(
    store: Store, folder: Path, storage: Storage, clock: Clock, alive: Callable[[], None] = lambda: None
) -> tuple[Store, Rescue]:
    """Give an open store whose files were removed or replaced a file again; return it, opened anew.

    The open files still hold everything. What was put in their place is set aside. Raises StoreError, OSError and
    sqlite3.Error; `store` stays open then, unless the new file is ready for whoever opens next.
    """
    why, made = store.misplaced(), folder / _MADE
    made.unlink(missing_ok=True)
    try:
        store.copy_to(made, alive)
        made.replace(folder / _READY)
    finally:
        made.unlink(missing_ok=True)
    aside = set_aside(folder, int(clock.wall()), "found") if (folder / FILE_NAME).exists() else None
    store.close()
    with WriterLock(folder, f"{DAEMON}, putting its database back"):
        put_in_place(folder / _READY, folder)
    return Store.open(folder, storage, clock), Rescue(why, aside, None, moved=True)


def _salvaged(folder: Path, good: Content | None, now: int, alive: Callable[[], None]) -> tuple[Salvage | None, str]:
    """Make the file that takes the damaged one's place; return what it holds, or why there is none."""
    made = folder / _MADE
    try:
        # An hour of room: this clock may be behind the one that stamped the readings.
        found = salvage(folder / FILE_NAME, made, good.path if good is not None else None, now + 3600, alive)
        if found is not None:
            made.replace(folder / _READY)
            return found, ""
    except (sqlite3.Error, OSError) as error:
        return None, plain_reason(error)
    finally:
        made.unlink(missing_ok=True)
    return None, ""


def _replace(
    folder: Path, storage: Storage, clock: Clock, why: str, aside: Path | None, failed: str, good: Content | None = None
) -> tuple[Store, Rescue]:
    """Bring the newest good copy back, or begin anew."""
    good = good or newest_good(storage.backup.folder)
    with WriterLock(folder, f"{DAEMON}, bringing a backup back"):
        if good is not None:
            try:
                restore(good.path, folder, int(clock.wall()))
            except BackupFailed:
                good = None  # the card takes no copy of it: a fresh small file is the last resort
    store = Store.open(folder, storage, clock)
    return store, Rescue(why, aside, good.path if good else None, good.readings if good else 0, None, failed)
