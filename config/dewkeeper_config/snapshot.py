"""A checked configuration kept beside the store, so that a command that looks needs no pydantic: that alone is half its start.

It is JSON, without the secrets that stand in the file, as readable as the database and as little to be written by others.
It holds for exactly the bytes it was made of, read by exactly this program (the sources of this package and the version of
Python), and a seal over all three says so. Whatever else is found, damaged, older or another's, is as good as nothing, and
the file is read and checked as ever.
"""

from __future__ import annotations

import json
import os
import stat
import sys
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Final

from dewkeeper_config.models import Config
from dewkeeper_config.models.secrets import without_secrets
from dewkeeper_config.plain import from_plain, to_plain
from dewkeeper_config.values import check_timezone
from dewkeeper_config.whole import write_whole

SNAPSHOT: Final = "checked-configuration.json"
"""Its name in the state folder."""

_LARGEST_BYTES = 2_000_000
_MODE = 0o640  # who may read the database and the file may read this; root's group may be another than the folder's
_NOBODY_ELSES = 0o027


def kept(data: bytes, folder: Path) -> Config | None:
    """Return the configuration that the bytes of a file were checked to be, None when nobody can say; inline secrets are not in it.

    folder: the state folder that the file names.
    """
    try:
        # Whatever lies there under this name: no link is followed, and a FIFO keeps nobody waiting.
        handle = os.open(folder / SNAPSHOT, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(handle, "rb") as file:
            if not _trusted(os.fstat(handle), folder.stat()):
                return None
            seal, _, body = file.read(_LARGEST_BYTES).partition(b"\n")
        if seal != _seal(data, body):
            return None
        config = from_plain(Config, json.loads(body))
        check_timezone(config.site.timezone)  # all else is the file's own; which zones there are is the machine's
    except (OSError, ValueError, TypeError, RecursionError):
        return None
    return config


def keep(config: Config, data: bytes, folder: Path) -> None:
    """Keep a configuration that was read from these bytes and checked whole; who does not own the state folder keeps nothing.

    Nor is one kept that would not read back the same, for it has a channel of somebody else's. Nothing is raised: who cannot
    keep it reads the file again.
    """
    shown = without_secrets(config)
    try:
        if folder.stat().st_uid != os.geteuid() or kept(data, folder) == shown:
            return
        body = json.dumps(to_plain(shown, only_given=True), ensure_ascii=False, separators=(",", ":")).encode()
        # 100: the seal and its line feed, 65 bytes, stand before it in what `kept` reads.
        if len(body) >= _LARGEST_BYTES - 100 or from_plain(Config, json.loads(body)) != shown:
            return
        write_whole(folder / SNAPSHOT, _seal(data, body) + b"\n" + body, mode=_MODE)
    except (OSError, ValueError, TypeError):
        return


def _trusted(found: os.stat_result, folder: os.stat_result) -> bool:
    """Return whether a file is as its writer left it: whoever owns the folder owns the database too."""
    return stat.S_ISREG(found.st_mode) and found.st_uid == folder.st_uid and not found.st_mode & _NOBODY_ELSES


def _seal(data: bytes, body: bytes) -> bytes:
    parts = (edition(), sha256(data).hexdigest(), sha256(body).hexdigest())
    return sha256("\n".join(parts).encode()).hexdigest().encode()


@cache
def edition() -> str:
    """Return what tells this program's way of reading a configuration from another's: the sources it is made of, and Python's version."""
    sources = sha256(sys.version.encode())
    here = Path(__file__).parent
    for folder in (here, here / "models"):
        for name in sorted(os.listdir(folder)):  # noqa: PTH208  a name is all that is needed
            if name.endswith((".py", ".toml")):
                content = (folder / name).read_bytes()
                # With its length, so that the end of one file cannot pass for the head of the next.
                sources.update(f"{folder.name}/{name} {len(content)}\n".encode() + content)
    return sources.hexdigest()
