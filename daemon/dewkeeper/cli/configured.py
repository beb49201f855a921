"""The configuration for a command: as it was checked before, where nothing has changed since, else read and checked."""

from __future__ import annotations

from pathlib import Path

from dewkeeper.cli.delegate import configuration_file, state_folder, written
from dewkeeper.cli.output import complain
from dewkeeper_config import snapshot
from dewkeeper_config.errors import ConfigError
from dewkeeper_config.models import Config
from dewkeeper_config.models.secrets import with_secrets
from dewkeeper_config.plain import from_plain


def in_force(path: Path) -> Config:
    """Return the configuration in a file, perhaps without the secrets that stand in it. Raises ConfigError.

    A daemon goes on by the last good one when the file is refused. So does what is typed beside it, and says so.
    """
    known, data = _known(path)
    if known is not None:
        return known
    try:
        return _checked(path)
    except ConfigError as refused:
        # The bytes that were refused, not the file read again: it may have changed meanwhile.
        running = _of_daemon(data)
        if running is None:
            raise
        why = str(refused).splitlines()[0]
        complain(f"{why}; the running daemon's configuration is used. `dewkeeper config check` names every problem")
        return running


def _of_daemon(data: bytes) -> Config | None:
    """Return what the daemon of a file's state folder goes by, None where none answers, or one of another version."""
    from dewkeeper.service.client import CONFIGURATION, may_answer, request
    from dewkeeper_config.last_good import named_folder

    folder = named_folder(data)
    try:
        if not may_answer(folder):
            return None
        return from_plain(Config, request(folder, {"do": CONFIGURATION})["configuration"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def whole(path: Path) -> Config:
    """Return the configuration in a file with its secrets, which are the file's alone. Raises ConfigError."""
    known, data = _known(path)
    return with_secrets(known, written(data)) if known is not None else _checked(path)


def _known(path: Path) -> tuple[Config | None, bytes]:
    # Outside of the try: where no snapshot is kept for these bytes, who asks next still needs them.
    data = b""
    try:
        data = configuration_file(path)
        return snapshot.kept(data, state_folder(data)), data
    except (OSError, ValueError, TypeError, AttributeError, RecursionError):
        return None, data


def _checked(path: Path) -> Config:
    """Return the configuration that is read and checked now, and keep it as checked where that can be done. Raises ConfigError."""
    from dewkeeper_config.loading import parse, read  # pydantic: a third of a second on a Pi

    data = read(path)
    config = parse(data, path)
    snapshot.keep(config, data, config.storage.folder)
    return config
