"""The database is removed or replaced while the daemon runs, or a second daemon comes: nothing is confirmed that is not stored."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dewkeeper.clock import ManualClock
from dewkeeper.errors import AlreadyRunning
from dewkeeper.service.calendar import SilentAlarm
from dewkeeper.service.client import SOCKET_NAME, request
from dewkeeper.service.daemon import Daemon
from dewkeeper.store import History
from dewkeeper.store.database import FILE_NAME

ENTRY = {"do": "journal", "enclosure": "T1", "what": "note", "who": "Ina"}


def _remove(*tails: str) -> Callable[[Path], None]:
    def work(folder: Path) -> None:
        for tail in tails:
            (folder / f"{FILE_NAME}{tail}").unlink()

    return work


def _replace(folder: Path) -> None:
    other = folder / "another"
    shutil.copy(folder / FILE_NAME, other)
    other.rename(folder / FILE_NAME)


def _texts(phone: Any) -> str:
    return "\n".join("\n".join([message["title"], *message["lines"]]) for message in phone.messages)


@pytest.mark.parametrize(
    ("what", "says"),
    [
        (_remove(""), "The database file was removed while it was in use"),
        (_remove("-wal"), "The database's log was removed while it was in use"),
        (_remove("", "-wal", "-shm"), "The database file was removed while it was in use"),
        (_replace, "The database file was replaced while it was in use"),
    ],
)
def test_a_database_that_is_removed_under_the_daemon_is_written_anew(
    racks: Any, phone: Any, what: Callable[[Path], None], says: str
) -> None:
    """The next entry is stored and confirmed truly, an alarm is sent, and after a restart everything is there."""
    daemon = racks.start(racks.config())
    racks.clock.advance(600)
    assert request(racks.folder, ENTRY | {"detail": "before"})["not_recorded"] == ""
    what(racks.folder)
    assert request(racks.folder, ENTRY | {"detail": "after"})["not_recorded"] == ""
    racks.clock.advance(600)
    racks.stop(daemon)
    assert says in _texts(phone)
    assert "nothing is missing" in _texts(phone)
    racks.stop(racks.start(racks.config()))
    with History.open(racks.folder) as history:
        assert [entry.detail for entry in history.journal()] == ["before", "after"]
        assert len(history.raw("t2", 0, 1 << 40)) == 22


def test_while_it_cannot_be_written_anew_alarms_are_sent_and_nothing_is_called_stored(racks: Any, phone: Any) -> None:
    """The folder is gone: a dry tub is told from memory as not recorded, entries are answered so; when it is back all is stored."""
    daemon = racks.start(racks.config(humidity_percent=40.0))
    racks.clock.advance(600)
    elsewhere = racks.folder.with_name("elsewhere")
    racks.folder.rename(elsewhere)
    racks.folder.write_text("in the way")
    reply = daemon.handle(ENTRY | {"detail": "not yet"})
    assert "was removed while it was in use" in reply["not_recorded"]
    racks.clock.advance(2 * 3600)
    phone.wait_until(lambda message: "T1: too dry" in message["title"], "the dry tub")
    assert "Not recorded: the database refuses to store it just now" in _texts(phone)
    racks.folder.unlink()
    elsewhere.rename(racks.folder)
    racks.clock.advance(300)
    racks.stop(daemon)
    with History.open(racks.folder) as history:
        assert [entry.detail for entry in history.journal()] == ["not yet"]
        assert len(history.raw("t2", 0, 1 << 40)) == 11 + 120 + 5


def test_a_second_daemon_ends_with_a_word_and_leaves_the_first_its_socket(racks: Any) -> None:
    """It names the first one's process; the first is asked as before, and still has its database."""
    racks.start(racks.config())
    second = Daemon(racks.config(), clock=ManualClock(), alarm=SilentAlarm)
    with pytest.raises(AlreadyRunning, match=r"runs already: the daemon \(process \d+\) has .*dewkeeper now"):
        second.start()
    assert (racks.folder / SOCKET_NAME).exists()
    assert request(racks.folder, ENTRY)["not_recorded"] == ""
