"""Damaged blocks of the archive, mended by the running daemon: when asked, and every night before the copy is made."""

from __future__ import annotations

import logging
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from dewkeeper.errors import CommandRefused
from dewkeeper.interchange import format_time
from dewkeeper.judge.types import SystemReport
from dewkeeper.service.writer import Chore
from dewkeeper.store import Store
from dewkeeper.store.backup import backups
from dewkeeper.store.damage import listed
from dewkeeper.store.errors import StoreError
from dewkeeper.store.health import NEW_CARD
from dewkeeper.store.repair import Repaired, unreadable
from dewkeeper_config.models import Storage

log = logging.getLogger(__name__)

_PATIENCE_SECONDS = 240.0


class Repairing:
    """post: hands a chore to the writer. store: the one in use, None when there is none.

    distrust: gives up the file in use, in the writer's thread, and returns whether there is another.
    """

    def __init__(
        self,
        storage: Storage,
        post: Callable[[Chore], None],
        store: Callable[[], Store | None],
        distrust: Callable[[str], bool],
    ) -> None:
        self._distrust = distrust
        self._storage = storage
        self._post = post
        self._store = store

    def handle(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Bring back the blocks with these `keys`, and those set aside before; return what became of each."""
        keys = request.get("keys", [])
        if not isinstance(keys, list) or not all(isinstance(key, int) and 0 <= key < 1 << 40 for key in keys):
            raise CommandRefused("`keys` are numbers of blocks")
        return {"done": True, "blocks": described(self.repair(keys))}

    def repair(self, keys: Collection[int]) -> list[Repaired]:
        """Let the writer do it and wait for it. Raises CommandRefused with the reason when it was not done."""
        done: list[Repaired] = []

        def work() -> None:
            store = self._store()
            if store is None:
                raise CommandRefused("there is no database just now")
            folder = self._storage.backup.folder
            done.extend(store.repair(keys, backups(folder) if folder is not None else []))

        chore = Chore("repair", work)
        self._post(chore)
        if not chore.done.wait(_PATIENCE_SECONDS):
            raise CommandRefused("the writer is busy; look again in a few minutes")
        if chore.error:
            raise CommandRefused(chore.error)
        return done

    def rescue(self, why: str) -> bool:
        """Have the damaged database set aside and what it still gives taken over; return whether that was done."""
        done: list[bool] = []
        chore = Chore("rescue", lambda: done.append(self._distrust(why)))
        self._post(chore)
        return chore.done.wait(_PATIENCE_SECONDS) and done == [True]

    def nightly(self) -> None:
        """Before a copy is made: look at every block, and bring back what can be. Never raises."""
        store = self._store()
        try:
            keys = unreadable(self._storage.folder)
            if keys or (store is not None and store.damage):
                for one in self.repair(keys):
                    log.warning("damaged: %s; %s", one.block.text(), _became(one))
        except (StoreError, CommandRefused) as error:
            log.error("repair: %s", error)  # noqa: TRY400  one plain line, no stack

    def reports(self, now: int) -> list[SystemReport]:
        """Return whether parts of the archive cannot be read."""
        store = self._store()
        found = list(store.damage.values()) if store is not None else []
        text = f"part of the archive cannot be read and was set aside: {listed(found)}."
        report = SystemReport(
            now, "archive", bool(found), text, response=f"nothing now: the next nightly backup brings back what a copy has; a second time within a month: {NEW_CARD}",
            consequence="it still watches, tells and records; that part of the past stays lost",
        )  # fmt: skip
        # Without a database it is not known: what stands is neither raised nor ended.
        return [report] if store is not None else []


def described(done: Sequence[Repaired]) -> list[dict[str, object]]:
    """Return what became of blocks, for a table and for JSON."""
    return [
        {
            "probe": one.block.probe, "from": format_time(one.block.start), "to": format_time(one.block.end),
            "readings": one.block.readings, "source": str(one.source) if one.source is not None else "", "became": _became(one),
        }
        for one in done
    ]  # fmt: skip


def _became(one: Repaired) -> str:
    if one.source is None:
        return "in no copy"
    return f"{one.readings} readings brought back from {one.source.name}"
