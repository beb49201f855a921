"""A site beside its server: something in its store, a pass of sending, and both sides compared row by row."""

from __future__ import annotations

import json
import random
import sqlite3
import zlib
from contextlib import closing
from pathlib import Path
from typing import Any

import psycopg
from tests.store.conftest import MIDNIGHT, Shelf, raw_all

from dewkeeper.collect.comparing import Comparing
from dewkeeper.collect.connection import BATCH_SECONDS, ServerLink, parameters
from dewkeeper.collect.place import Cursor, enter, installation
from dewkeeper.collect.sending import Pass, Sent
from dewkeeper.collect.server import admit
from dewkeeper.judge.types import Calibration, Event, JournalEntry, SystemReport
from dewkeeper.store.onward import Onward
from dewkeeper.store.quality import spelled
from dewkeeper.store.records import Batch

PROBES = ("b1", "b2", "b3")


class SendingSite:
    """One Pi: its folder, its store, its address on the server."""

    def __init__(self, folder: Path, name: str, address: str) -> None:
        self.name = name
        self.shelf = Shelf(folder)
        self.address = address

    @classmethod
    def admitted(cls, folder: Path, name: str, owner: str, host: str) -> SendingSite:
        """Let a site in and return it. host: how it reaches the server."""
        with ServerLink(parameters(owner, None)) as link:
            made = admit(link, name)
        return cls(folder, name, f"{host} dbname={made.database} user={made.login} password={made.password}")

    def send(self, *, round_too: bool = False, seconds: float = BATCH_SECONDS) -> Sent:
        """Do one pass, as the daemon's thread does it."""
        return send(self.shelf.folder, self.name, self.address, round_too=round_too, seconds=seconds)

    def place(self) -> Cursor:
        """Return how far it has come."""
        with ServerLink(parameters(self.address, None)) as link:
            return enter(link, self.name, None)


def send(folder: Path, name: str, address: str, *, round_too: bool = False, seconds: float = BATCH_SECONDS) -> Sent:
    """Do one pass for a folder."""
    with Onward.open(folder) as onward, ServerLink(parameters(address, None), seconds) as link:
        sending = Pass(link, onward, enter(link, name, installation(folder)))
        sending.send()
        comparing = Comparing(sending)
        if round_too:
            comparing.look_at_a_day()
        comparing.work_off()
        return sending.sent


def fill(shelf: Shelf, start: int, days: float, seed: int, every: int = 900) -> None:
    """Store polls of all probes, some failed, some doubted, half of these in their humidity alone, one probe now and then without any."""
    rng = random.Random(seed)
    rows = []
    for at in range(start, start + int(days * 86400), every):
        for probe in PROBES:
            if rng.random() < 0.03:
                continue
            words = (None, None) if rng.random() < 0.05 else (rng.randrange(65536), rng.randrange(65536))
            chance = rng.random()
            rows.append((at, probe, *words, None if chance < 0.05 else chance > 0.1))
    for first in range(0, len(rows), 500):
        shelf.put(rows[first : first + 500])


def live(shelf: Shelf, at: int, seed: int) -> None:
    """Store what happens besides: entries, a correction, reports, events, a calibration."""
    rng = random.Random(seed)
    entries = [
        JournalEntry(f"j{seed}-{n}", at + n, f"B{n % 3 + 1}", "misted", f'both, "sides" é\u0000 C:\\u0000 {n}')
        for n in range(7)
    ]
    entries.append(JournalEntry(f"j{seed}-7", at + 8, "B1", "fed", replaces=f"j{seed}-2"))
    events = tuple(
        Event(
            f"e{seed}-{n}", f"a{seed}-{n // 2}", at + n, "raised" if n % 2 == 0 else "cleared", "dry", "B1", "b1", "target",
            "low", "unacknowledged" if n % 2 == 0 else "normal", at, value=rng.random() * 100, limit=60.0,
            detail={"until": at + 60, "place": "left"},
        )
        for n in range(7)
    )  # fmt: skip
    corrections = Calibration(at, "b1", rng.uniform(-1, 1), rng.uniform(-3, 3), rng.uniform(0.9, 1.1), note="salt")
    reports = SystemReport(at, "disk", True, "full"), SystemReport(at, "disk", True, "full")
    shelf.store.commit(Batch(items=(*entries, corrections, *reports), events=events))


def unlike(shelf: Shelf, connection: psycopg.Connection[Any], site: str) -> list[str]:
    """Return what the two sides do not hold alike, row by row and value by value; read past all that is tested."""
    number = connection.execute("SELECT number FROM dewkeeper.site WHERE name = %s", (site,)).fetchone()
    found: list[str] = []
    with shelf.history() as history:
        here = {
            (name, one.reading.time): (
                one.reading.temperature_word, one.reading.humidity_word, one.quality.flag,
                spelled(one.quality.tests, one.reading.failure, one.reading.notes),
                one.reading.temperature_c, one.reading.humidity_percent, one.quality.counts,
                list(one.quality.tests), one.reading.failure,
            )
            for name, rows in raw_all(history, 0, 1 << 40).items()
            for one in rows
        }  # fmt: skip
    rows = connection.execute(
        "SELECT p.name, extract(epoch FROM r.time)::bigint, r.t, r.h, r.flag, coalesce(r.why, '') FROM dewkeeper.reading r "
        "JOIN dewkeeper.probe p ON p.site = r.site AND p.number = r.probe WHERE r.site = %s AND r.gone IS NULL",
        (number[0] if number else 0,),
    ).fetchall()
    seen = connection.execute(
        "SELECT probe, extract(epoch FROM time)::bigint, temperature_c, humidity_percent, counts, coalesce(tests, '{}'), "
        "failure FROM dewkeeper.readings WHERE site = %s AND held",
        (site,),
    ).fetchall()
    values = {(row[0], row[1]): tuple(row[2:]) for row in seen}
    there = {(row[0], row[1]): (*row[2:], *values.get((row[0], row[1]), ())) for row in rows}
    if not len(there) == len(rows) == len(seen):
        found.append(f"{len(rows) - len(there)} readings doubled, {len(seen)} shown of {len(rows)}")
    found += [
        f"reading {key}: here {here.get(key)}, there {there.get(key)}"
        for key in sorted(here.keys() | there.keys())
        if here.get(key) != there.get(key)
    ]
    with closing(sqlite3.connect(f"file:{shelf.folder / 'dewkeeper.db'}?mode=ro", uri=True)) as database:
        for table, asked in (
            ("item", "SELECT kind, data FROM item"),
            ("event", "SELECT 'event', data FROM event"),
            ("alarm", "SELECT state, data FROM alarm"),
        ):
            kept = {_canonical(what, data) for what, data in database.execute(asked)}
            asked_there = f"SELECT what, data FROM dewkeeper.{table} WHERE site = %s AND gone IS NULL"  # noqa: S608  our own names
            sent = connection.execute(asked_there, (number[0] if number else 0,)).fetchall()
            texts = [_canonical(what, json.dumps(data)) for what, data in sent]
            if len(set(texts)) != len(texts):
                found.append(f"{table}: doubled")
            found += [f"{table}: only here {one}" for one in sorted(kept - set(texts))]
            found += [f"{table}: only there {one}" for one in sorted(set(texts) - kept)]
    return found


def _canonical(what: str, data: str | bytes) -> str:
    text = zlib.decompress(data).decode() if isinstance(data, bytes) else data
    return f"{what} {json.dumps(held_there(json.loads(text)), sort_keys=True)}"


def held_there(value: Any) -> Any:
    """Return a value of JSON as a server can hold it that knows neither NUL nor half of a surrogate pair."""
    match value:
        case str():
            return "".join("\ufffd" if one == "\0" or "\ud800" <= one <= "\udfff" else one for one in value)
        case list():
            return [held_there(one) for one in value]
        case dict():
            return {held_there(name): held_there(one) for name, one in value.items()}
    return value


__all__ = ["MIDNIGHT", "SendingSite", "fill", "held_there", "live", "send", "unlike"]
