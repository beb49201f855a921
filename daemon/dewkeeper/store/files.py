"""Which files the open database is: their names may come to mean others, or nothing."""

from __future__ import annotations

from pathlib import Path

from dewkeeper.store.database import FILE_NAME

_PARTS = {"": "the database file", "-wal": "the database's log"}


class Files:
    """The database and its log, by device and inode as stat(2) gives them."""

    def __init__(self, folder: Path) -> None:
        self._paths = {tail: folder / f"{FILE_NAME}{tail}" for tail in _PARTS}
        self._known: dict[str, tuple[int, int] | None] = {}

    def remember(self) -> None:
        """Take what is there now for the files in use."""
        self._known = {tail: _identity(path) for tail, path in self._paths.items()}

    def gone(self) -> str:
        """Say what was removed or replaced since, empty when nothing was."""
        for tail, known in self._known.items():
            found = _identity(self._paths[tail])
            if known is None:
                self._known[tail] = found  # the log is made with the first thing written
            elif found != known:
                return f"{_PARTS[tail]} was {'removed' if found is None else 'replaced'} while it was in use"
        return ""


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
