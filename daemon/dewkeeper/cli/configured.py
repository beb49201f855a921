"""The configuration for a command: as it was checked before, where nothing has changed since, else read and checked."""

from __future__ import annotations

from pathlib import Path

from dewkeeper.cli.delegate import configuration_file, state_folder, written
from dewkeeper_config import snapshot
from dewkeeper_config.models import Config
from dewkeeper_config.models.secrets import with_secrets


def as_checked(path: Path) -> Config:
    """Return the configuration in a file, perhaps without the secrets that stand in it. Raises ConfigError."""
    known, _ = _known(path)
    return known if known is not None else _checked(path)


def whole(path: Path) -> Config:
    """Return the configuration in a file with its secrets, which are the file's alone. Raises ConfigError."""
    known, data = _known(path)
    return with_secrets(known, written(data)) if known is not None else _checked(path)


def _known(path: Path) -> tuple[Config | None, bytes]:
    try:
        data = configuration_file(path)
        return snapshot.kept(data, state_folder(data)), data
    except (OSError, ValueError, TypeError, AttributeError, RecursionError):
        return None, b""


def _checked(path: Path) -> Config:
    """Return the configuration that is read and checked now, and keep it as checked where that can be done. Raises ConfigError."""
    from dewkeeper_config.loading import parse, read  # pydantic: a third of a second on a Pi

    data = read(path)
    config = parse(data, path)
    snapshot.keep(config, data, config.storage.folder)
    return config
