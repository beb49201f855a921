"""Running a child under `iolog.c` and counting what it read, wrote and synced."""

from __future__ import annotations

import json
import os
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.bench.store.bench_store_child import BEGIN, END

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[2]
_HEAD = struct.Struct("<BBqi")
DATABASE, LOG, JOURNAL = 0, 1, 2
WRITE, SYNCS, TRUNCATE, UNLINK, READ, MARK = 1, (2, 3), 4, 5, 6, 9


@dataclass(frozen=True, slots=True)
class Counts:
    """What happened between the marks, in files of the database: bytes and calls."""

    written: int
    syncs: int
    read: int


def build(folder: Path) -> Path:
    """Compile the recorder. Raises CalledProcessError, FileNotFoundError without a C compiler."""
    made = folder / "iolog.so"
    subprocess.run(["cc", "-O2", "-shared", "-fPIC", "-o", str(made), str(HERE / "iolog.c"), "-ldl"], check=True)
    return made


def run(recorder: Path, log: Path, *words: str, data: bool = False) -> Any:
    """Run a child with the recorder loaded; return its answer. `data`: keep what was written too."""
    log.unlink(missing_ok=True)
    environment = {
        **os.environ, "LD_PRELOAD": str(recorder), "IOLOG": str(log), "IOLOG_MATCH": "dewkeeper.db",
        "PYTHONPATH": str(ROOT), **({"IOLOG_DATA": "1"} if data else {}),
    }  # fmt: skip
    command = [sys.executable, "-m", "tests.bench.store.bench_store_child", *words]
    answer = subprocess.run(command, env=environment, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True).stdout
    return json.loads(answer)


def counts(log: Path) -> list[Counts]:
    """Return what a log without data says happened between each BEGIN and its END."""
    found = []
    written = syncs = read = 0
    inside = False
    for what, file, offset, length in _HEAD.iter_unpack(log.read_bytes()):
        if what == MARK and offset == BEGIN:
            written = syncs = read = 0
            inside = True
        elif what == MARK and offset == END:
            found.append(Counts(written, syncs, read))
            inside = False
        elif inside and file in (DATABASE, LOG, JOURNAL):
            written += length * (what == WRITE)
            syncs += what in SYNCS
            read += length * (what == READ)
    return found


def all_read(log: Path) -> int:
    """Return how many bytes a log without data says were read of the database's files, marks or none."""
    return sum(
        length
        for what, file, _, length in _HEAD.iter_unpack(log.read_bytes())
        if what == READ and file in (DATABASE, LOG, JOURNAL)
    )
