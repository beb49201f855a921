"""Power cuts, simulated: what a disk may hold after one, and what the store then makes of it.

A child stores polls under `iolog.c`, which records every write, sync and truncation with its data, and a mark when a
commit has returned. At a random moment the disk is rebuilt: all that was synced is there; of what was written later each
512-byte sector is kept, lost or garbled at random, or the writes stop in the middle of one. Assumed: that a card keeps
what it said it synced, and that truncations and unlinks are durable at once. A card that lies is outside this.
"""

from __future__ import annotations

import random
import sqlite3
import struct
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench.store.bench_store_child import cut_polls
from tests.bench.store.bench_store_io import DATABASE, LOG, MARK, SYNCS, TRUNCATE, UNLINK, WRITE
from tests.store.conftest import raw_all

from dewkeeper.clock import ManualClock
from dewkeeper.store import History, Store
from dewkeeper.store.database import FILE_NAME
from dewkeeper.store.errors import StoreError
from dewkeeper_config.models import Storage

_HEAD = struct.Struct("<BBqi")
_SECTOR = 512
WAYS = ("stopped", "reordered", "garbled")
SOUND = "sound"

Words = dict[str, tuple[int | None, int | None]]


@dataclass(frozen=True, slots=True)
class Step:
    """One recorded call."""

    what: int
    file: int
    offset: int
    data: bytes


def steps(log: Path) -> list[Step]:
    """Return the calls of a log with data."""
    raw = log.read_bytes()
    found, at = [], 0
    while at < len(raw):
        what, file, offset, length = _HEAD.unpack_from(raw, at)
        at += _HEAD.size
        data = b""
        if what == WRITE:
            data = raw[at : at + length]
            at += length
        found.append(Step(what, file, offset, data))
    return found


def disk_after(recorded: Sequence[Step], cut: int, dice: random.Random, way: str) -> dict[int, bytearray]:
    """Return database and log as a disk could hold them when the power goes before call number `cut`."""
    files, loose = _certain(recorded, cut)
    if way == "stopped":
        last = dice.randrange(len(loose) + 1)
        for step in loose[:last]:
            _apply(files[step.file], step.offset, step.data)
        if last < len(loose):
            half = loose[last]
            _apply(files[half.file], half.offset, half.data[: dice.randrange(len(half.data) + 1)])
        return files
    for step in loose:
        for start in range(0, len(step.data), _SECTOR):
            sector, luck = step.data[start : start + _SECTOR], dice.random()
            if luck < 0.6:
                _apply(files[step.file], step.offset + start, sector)
            elif way == "garbled" and luck < 0.7:
                _apply(files[step.file], step.offset + start, dice.randbytes(len(sector)))
    return files


def _certain(recorded: Sequence[Step], cut: int) -> tuple[dict[int, bytearray], list[Step]]:
    """Return what is certainly on the disk before call number `cut`, and the writes since that no sync has followed."""
    files = {DATABASE: bytearray(), LOG: bytearray()}
    synced = dict.fromkeys(files, -1)
    for number in range(cut):
        if recorded[number].what in SYNCS and recorded[number].file in files:
            synced[recorded[number].file] = number
    loose: list[Step] = []
    for number in range(cut):
        step = recorded[number]
        if step.file not in files:
            continue
        if step.what == WRITE:
            if number < synced[step.file]:
                _apply(files[step.file], step.offset, step.data)
            else:
                loose.append(step)
        elif step.what == TRUNCATE:
            del files[step.file][step.offset :]
        elif step.what == UNLINK:
            files[step.file].clear()
    return files, loose


@dataclass
class Toll:
    """What the cuts of one setting cost. `lost`: acknowledged polls that were not there, of each cut that left a sound file."""

    verdicts: Counter[str] = field(default_factory=Counter)
    lost: list[int] = field(default_factory=list)

    @property
    def corrupt(self) -> int:
        """How many cuts left something that is not a whole prefix of the polls."""
        return self.verdicts.total() - self.verdicts[SOUND]


def toll(recorded: Sequence[Step], points: int, folder: Path, seed: int = 0) -> Toll:
    """Cut the power at so many random moments and look at what the store opens."""
    folder.mkdir(parents=True, exist_ok=True)
    first = next(number for number, step in enumerate(recorded) if step.what == MARK)
    stored = [(poll[0].time, {r.probe: (r.temperature_word, r.humidity_word) for r in poll}) for poll in cut_polls()]
    paid = Toll()
    for point in range(points):
        dice = random.Random(seed * 1_000_003 + point)
        cut = dice.randrange(first + 1, len(recorded))
        acknowledged = max(step.offset for step in recorded[:cut] if step.what == MARK)
        files = disk_after(recorded, cut, dice, WAYS[point % len(WAYS)])
        verdict, kept = _look(files, folder, stored)
        paid.verdicts[verdict] += 1
        if verdict == SOUND:
            paid.lost.append(max(0, acknowledged - kept))
    return paid


def _look(files: Mapping[int, bytearray], folder: Path, stored: Sequence[tuple[int, Words]]) -> tuple[str, int]:
    """Return what the store made of a disk, and how many whole polls are in it."""
    for old in folder.iterdir():
        old.unlink()
    (folder / FILE_NAME).write_bytes(files[DATABASE])
    if files[LOG]:
        (folder / f"{FILE_NAME}-wal").write_bytes(files[LOG])
    try:
        with closing(sqlite3.connect(folder / FILE_NAME)) as database:
            said = database.execute("PRAGMA integrity_check").fetchone()[0]
        if said != "ok":
            return "corrupt", 0
        Store.open(folder, Storage(folder=folder), ManualClock()).close()
        with History.open(folder) as history:
            found: dict[int, Words] = defaultdict(dict)
            for probe, rows in raw_all(history, 0, 1 << 40).items():
                for one in rows:
                    found[one.reading.time][probe] = (one.reading.temperature_word, one.reading.humidity_word)
    except (sqlite3.DatabaseError, UnicodeDecodeError, StoreError):  # names in a damaged file may be anything
        return "corrupt", 0
    return (SOUND if sorted(found.items()) == list(stored[: len(found)]) else "not a prefix"), len(found)


def _apply(file: bytearray, offset: int, data: bytes) -> None:
    if len(file) < offset:
        file.extend(bytes(offset - len(file)))
    file[offset : offset + len(data)] = data
