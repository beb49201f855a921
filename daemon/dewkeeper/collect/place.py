"""The site's row on the server: who may send, and how far it has come. Every batch moves it in its own transaction."""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import psycopg

from dewkeeper.collect.connection import ServerLink
from dewkeeper.collect.errors import SentMeanwhile, ServerRefused

SPEAKS: Final = 1
"""The way of sending that this version knows; the server says which it takes."""
FILE_NAME: Final = "installation"
_COLUMNS = (
    "number, name, installation, extract(epoch FROM readings_until)::bigint, items_from, items_until, events_until, "
    "altered_until, mark, extract(epoch FROM compared_until)::bigint, extract(epoch FROM sent_at)::bigint, "
    "extract(epoch FROM readings_since)::bigint"
)
_MOMENTS = ("readings_until", "compared_until", "readings_since")


@dataclass(slots=True)
class Cursor:
    """How far a site has sent, as its row on the server says. Times: UTC seconds, None for nothing yet."""

    number: int
    name: str
    installation: uuid.UUID | None
    readings_until: int | None
    items_from: int
    items_until: int
    events_until: int
    altered_until: int
    mark: str
    compared_until: int | None
    sent_at: int | None
    readings_since: int | None

    def marked(self) -> dict[str, Any]:
        """Return what was sent last of each kind, as the site can find it again."""
        found: dict[str, Any] = json.loads(self.mark or "{}")
        return found


def installation(folder: Path) -> uuid.UUID:
    """Return what tells this installation from every other, made the first time. Raises OSError, ValueError.

    It lies beside the database and not in it: a copy that is brought back is the same installation, another card is not.
    """
    path = folder / FILE_NAME
    try:
        return uuid.UUID(path.read_text(encoding="ascii").strip())
    except FileNotFoundError:
        made = uuid.uuid4()
        part = path.with_name(FILE_NAME + ".part")  # whole or not at all: half a name would be another installation
        with part.open("w", encoding="ascii") as file:
            file.write(f"{made}\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        return made


def enter(link: ServerLink, name: str, asking: uuid.UUID | None) -> Cursor:
    """Take the place of a site for an installation (None: only look); return how far it has come. Raises ServerRefused."""
    with link.batch() as cursor:
        oldest, newest = _one(cursor, "SELECT oldest, newest FROM speaks()")
        if not oldest <= SPEAKS <= newest:
            older = "update dewkeeper here" if oldest > SPEAKS else "run `dewkeeper collect init` of this version there"
            raise ServerRefused(
                f"the server takes ways of sending {oldest} to {newest}, this version knows {SPEAKS}: {older}"
            )
        row = cursor.execute(f"SELECT {_COLUMNS} FROM site").fetchone()  # noqa: S608  row level security leaves one
        if row is None:
            raise ServerRefused("the server knows no site for this login: run `dewkeeper collect admit` there")
        found = Cursor(*row)
        if found.name != name:
            raise ServerRefused(
                f"this login is for the site {found.name!r} and [collect] site is {name!r}: one of the two is wrong"
            )
        if asking is not None and not _one(cursor, "SELECT claim(%s)", asking)[0]:
            raise ServerRefused(
                f"another installation sends as {name!r}: two Pis with one site name would mix their readings. Give this "
                f"one a name of its own; if it replaces the other, run `dewkeeper collect release` there"
            )
    return found


def move(cursor: psycopg.Cursor[Any], place: Cursor, to: Mapping[str, Any]) -> None:
    """Move the cursor within a batch, if it is where it was left. Raises SentMeanwhile, and the batch is undone."""
    sets = ", ".join(f"{name} = {'to_timestamp(%s)' if name in _MOMENTS else '%s'}" for name in to)
    done = cursor.execute(
        # By the server's clock, and as of this very moment: now() is when the transaction began.
        f"UPDATE site SET {sets + ', ' if sets else ''}sent_at = clock_timestamp() WHERE number = %s "  # noqa: S608  our own names
        "AND readings_until IS NOT DISTINCT FROM to_timestamp(%s) AND items_from = %s AND items_until = %s "
        "AND events_until = %s AND altered_until = %s AND compared_until IS NOT DISTINCT FROM to_timestamp(%s)",
        (
            *to.values(), place.number, place.readings_until, place.items_from, place.items_until, place.events_until,
            place.altered_until, place.compared_until,
        ),
    )  # fmt: skip
    if done.rowcount != 1:
        raise SentMeanwhile(f"somebody else sent as {place.name!r} meanwhile; this batch was not stored")


def moved(place: Cursor, to: Mapping[str, Any]) -> None:
    """Note where the cursor is, once the batch is stored."""
    for name, value in to.items():
        setattr(place, name, value)


def _one(cursor: psycopg.Cursor[Any], asked: str, *values: Any) -> Any:
    return cursor.execute(asked, values).fetchone()
