"""Having the running daemon answer a command that only reads: it has all libraries loaded, which here would take longest.

Whatever stands in the way, no daemon, an older one, another configuration file, no permission, a daemon that is busy,
is no error: then the command reads for itself, as it does without a daemon.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from dewkeeper.cli.output import OUT, Arguments, complain, say, speaks_utf8, terminal_width

VERB = "answer"
DEFAULT_FOLDER = "/var/lib/dewkeeper"
"""Where a configuration that does not say otherwise has its state; a test holds it to the configuration's own word."""

# Then the command reads for itself, which it can do as well: to wait longer for a busy daemon buys nothing.
_PATIENCE_SECONDS = 5.0
_LARGEST_BYTES = 1_000_000
_MOST_DOTS = 200
"""In a line. A file with more is left to the configuration's own reader, which refuses it before it takes hours."""


def edition() -> str:
    """Return what tells this installation of the program from another one: another may use other words."""
    return f"{__file__} {Path(__file__).stat().st_mtime_ns}"


def digest(data: bytes) -> str:
    """Return what tells one configuration file from another."""
    from hashlib import sha256

    return sha256(data).hexdigest()


def answered(args: Arguments, words: Sequence[str]) -> int | None:
    """Print what the daemon answers and return the exit code; None when the command must read for itself.

    words: the command line.
    """
    try:
        reply = _ask(args, words)
        code, said = reply["code"], [(stream, text) for stream, text in reply["said"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    # Only when all of the reply was understood: else the command would print it and then once more by itself.
    for stream, text in said:
        (say if stream == OUT else complain)(text)
    return int(code)


def configuration_file(path: Path) -> bytes:
    """Return the bytes of a configuration file. Raises OSError, and ValueError for what can be none."""
    with path.open("rb") as file:
        data = file.read(_LARGEST_BYTES + 1)
    if len(data) > _LARGEST_BYTES or any(line.count(b".") > _MOST_DOTS for line in data.splitlines()):
        raise ValueError("no configuration")
    return data


@lru_cache(maxsize=1)
def written(data: bytes) -> dict[str, Any]:
    """Return the tables of a configuration file, read once and checked by nobody. Raises ValueError, RecursionError."""
    import tomllib

    return tomllib.loads(data.decode("utf-8-sig"))


def state_folder(data: bytes) -> Path:
    """Return the folder that a configuration file names. Raises ValueError, TypeError, AttributeError, RecursionError."""
    return Path(os.fspath(written(data).get("storage", {}).get("folder", DEFAULT_FOLDER)))


def _ask(args: Arguments, words: Sequence[str]) -> dict[str, Any]:
    """Return the daemon's reply. Raises OSError and ValueError, of which DaemonDown and CommandRefused are some."""
    from dewkeeper.service.client import may_answer, request

    data = configuration_file(args.config)
    folder = state_folder(data)
    if not may_answer(folder):
        raise ValueError("no daemon")
    message = {
        # Whatever of the asking process decides the answer: clock, terminal, configuration, program.
        "do": VERB, "words": list(words), "now": args.now(), "width": terminal_width(), "utf8": speaks_utf8(),
        "file": digest(data), "edition": edition(),
    }  # fmt: skip
    return request(folder, message, _PATIENCE_SECONDS)
