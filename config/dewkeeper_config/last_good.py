"""The last good configuration: kept beside the database, and used when an edit went wrong."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

from dewkeeper_config.errors import ConfigError, ConfigInvalid, ConfigUnreadable, Problem
from dewkeeper_config.loading import load, parse, read
from dewkeeper_config.models import Config, Storage
from dewkeeper_config.snapshot import keep
from dewkeeper_config.whole import write_whole

LAST_GOOD = "last-good.toml"
"""Name of the copy in the state folder. It may hold secrets written into the file, so only the owner reads it."""

COPY = "copy of the last good configuration"
"""Key of the one problem that is not about the file: it goes away when there is room again and this is called anew."""


def load_or_last_good(path: Path, state_folder: Path | None = None) -> tuple[Config, list[Problem]]:
    """Return the configuration in force: the file if it is good, else the last one that was, and what is wrong.

    A good file is copied into the state folder; that this failed is a problem too, and no reason to stop.
    state_folder: None takes the storage folder the file names, or systemd's, or the default.
    Raises ConfigInvalid or ConfigUnreadable, about the file, when there is no good copy either.
    """
    # A file that cannot be read names no folder.
    data = b""
    try:
        data = read(path)
        config = parse(data, path)
    except (ConfigInvalid, ConfigUnreadable) as refused:
        try:
            # It was good when every package was there: better watched, and told over the other channels, than nothing.
            last = load((state_folder or named_folder(data)) / LAST_GOOD, absent=True)
        except ConfigError:
            raise refused from None  # what is wrong with the copy is no help to whoever edits the file
        if isinstance(refused, ConfigInvalid):
            return last, list(refused.problems)
        return last, [Problem(str(path), "a file that cannot be read", f"a readable one ({refused})")]
    folder = state_folder or config.storage.folder
    try:
        # As the unit makes it (StateDirectoryMode): the group may look.
        folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        write_whole(folder / LAST_GOOD, data)
    except OSError as error:
        return config, [
            Problem(COPY, f"not written to {folder / LAST_GOOD}: {error.strerror}", "a folder that can be written")
        ]
    keep(config, data, folder)
    return config, []


def last_good(config: Config, state_folder: Path | None) -> bytes:
    """Return the bytes of the copy: what a configuration in force was made of, if the copy could be written. Raises OSError."""
    return ((state_folder or config.storage.folder) / LAST_GOOD).read_bytes()


def named_folder(data: bytes) -> Path:
    """Return where the copy of a refused file should be: the folder it still names, systemd's, or the default."""
    try:
        text = data.decode("utf-8-sig")
        try:
            tables = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            from dewkeeper_config.recovery import recover  # as `parse` did

            tables = tomllib.loads(recover(text, str(error)).text or "")
        return Path(tables["storage"]["folder"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return Path(os.environ.get("STATE_DIRECTORY", "").split(":")[0] or Storage().folder)
