"""Power cuts at random moments of the daemon's own work, compaction included; see `tests/bench/store/bench_store_cuts.py`."""

from __future__ import annotations

import faulthandler
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.amounts import amount
from tests.bench.store.bench_store_cuts import Step, steps, toll
from tests.bench.store.bench_store_io import build, run

IN_CI = os.environ.get("CI") == "true"
POINTS = amount(60, 600)

pytestmark = pytest.mark.skipif(
    shutil.which("cc") is None and not IN_CI, reason="no C compiler for the recorder of writes"
)


@pytest.fixture
def quick(tmp_path: Path) -> Iterator[Path]:
    """Give a folder in memory where there is one: what counts is what was asked of the disk, and a real sync takes long."""
    faulthandler.cancel_dump_traceback_later()  # six hundred cuts take minutes
    memory = Path("/dev/shm")  # noqa: S108  a folder of its own in it
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory) as folder:
        yield Path(folder)


def _recorded(folder: Path, synchronous: str) -> list[Step]:
    store = folder / synchronous
    store.mkdir()
    run(build(folder), folder / "log", "cut", str(store), synchronous, data=True)
    return steps(folder / "log")


@pytest.mark.slow
def test_no_power_cut_corrupts_or_loses_what_was_acknowledged(quick: Path) -> None:
    """Cut anywhere, with unsynced sectors lost or garbled, the file is sound and holds every poll whose commit returned."""
    paid = toll(_recorded(quick, "FULL"), POINTS, quick / "after")
    assert paid.corrupt == 0, paid.verdicts
    assert max(paid.lost) == 0


@pytest.mark.slow
def test_without_syncing_the_same_cuts_do_corrupt(quick: Path) -> None:
    """The control: with synchronous=OFF the same cuts leave damaged files, so the test above can fail."""
    assert toll(_recorded(quick, "OFF"), POINTS, quick / "after").corrupt > POINTS // 20
