"""The configuration for a command: as it was checked before, where nothing has changed since, else read and checked."""

from __future__ import annotations

from pathlib import Path

from dewkeeper.cli.delegate import configuration_file, state_folder
from dewkeeper_config import snapshot
from dewkeeper_config.models import Config


def as_checked(path: Path) -> Config:
    """Return the configuration in a file, perhaps without the secrets that stand in it. Raises ConfigError."""
    try:
        data = configuration_file(path)
        known = snapshot.kept(data, state_folder(data))
    except (OSError, ValueError, TypeError, AttributeError, RecursionError):
        known = None
    return known if known is not None else whole(path)


def whole(path: Path) -> Config:
    """Return the configuration in a file, with its secrets, and keep it as checked where that can be done. Raises ConfigError."""
    from dewkeeper_config.loading import parse, read  # pydantic: a third of a second on a Pi

    data = read(path)
    config = parse(data, path)
    snapshot.keep(config, data, config.storage.folder)
    return config
