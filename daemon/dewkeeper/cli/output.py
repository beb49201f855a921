"""How commands speak: tables for people, JSON for programs, complaints on standard error."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from dewkeeper_config import load
from dewkeeper_config.models import Config

DONE, NOT_WELL, BAD_USE = 0, 1, 2
"""Exit codes: done; the thing asked about is not well or could not be done; bad usage or configuration."""


class Arguments(argparse.Namespace):
    """Parsed arguments, with the two things every command may want."""

    config: Path
    format: str

    def load_config(self) -> Config:
        """Return the configuration named by `--config`. Raises ConfigError."""
        return load(self.config)


def say(text: str = "") -> None:
    """Print a line for the person."""
    print(text)


def complain(text: str) -> None:
    """Print what is wrong, and what to do, on standard error."""
    print(text, file=sys.stderr)


def plain_error(error: OSError) -> str:
    """Return what the system says is wrong, and of which file, without its error number."""
    return f"{error.filename}: {error.strerror}" if error.filename and error.strerror else error.strerror or str(error)


def taken_in(reply: Mapping[str, Any]) -> int:
    """Return the exit code of what the daemon took in; say so if it is not recorded yet."""
    if reply.get("not_recorded"):
        complain(f"taken in, but not recorded yet: {reply['not_recorded']}")
        return NOT_WELL
    return DONE


def known_enclosure(config: Config, name: str | None) -> bool:
    """Return whether an enclosure (None: all of them) is configured; if not, say which are."""
    names = [enclosure.name for enclosure in config.enclosure]
    if name is None or name in names:
        return True
    complain(f"no enclosure {name!r}; there are: {', '.join(names)}")
    return False


def emit_json(value: object) -> None:
    """Print one JSON document."""
    print(json.dumps(value, ensure_ascii=False, indent=2, default=str))


def emit(args: argparse.Namespace, rows: Sequence[Mapping[str, object]], columns: Mapping[str, str]) -> None:
    """Print rows as a table with these columns (key: heading), or all of each row as JSON with `--format json`."""
    if args.format == "json":
        emit_json([dict(row) for row in rows])
        return
    cells = [list(columns.values())]
    cells += [["" if row.get(key) is None else str(row[key]) for key in columns] for row in rows]
    widths = [max(len(line[i]) for line in cells) for i in range(len(columns))]
    for line in cells:
        say("  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip())
