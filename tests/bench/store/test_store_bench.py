"""The store's counts as gates: what is the same on every machine may not get worse."""

from __future__ import annotations

import faulthandler
import shutil
from pathlib import Path

import pytest
from tests.bench.store import bench_store_month
from tests.bench.store.bench_store_rack import NAMES
from tests.bench.store.store_table import measure


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler for the recorder of writes")
@pytest.mark.parametrize("part", ["writing", "gentle", "reading"])
def test_counts_keep_their_limits(part: str) -> None:
    """Bytes written and read, syncs and sizes stay within what a card and its years can bear."""
    faulthandler.cancel_dump_traceback_later()  # it takes minutes
    rows = [(row, row.gate) for row in measure(quick=True, only=(part,)) if row.gate is not None]
    worse = [f"{row}; CI allows {gate:g}" for row, gate in rows if row.value > gate]
    assert rows
    assert not worse, worse


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Some days of 128 probes, ready for a night, and what Python compiled for the daemon."""
    faulthandler.cancel_dump_traceback_later()
    folder = tmp_path_factory.mktemp("memory")
    bench_store_month.fill(folder / "state", NAMES, days=4)
    return folder / "state", bench_store_month.compiled(folder / "first")


@pytest.mark.parametrize(("page", "when", "most"), [(False, "after a message", 64.0), (True, "after a message", 75.0)])
def test_the_daemon_stays_small(
    filled: tuple[Path, Path], tmp_path: Path, *, page: bool, when: str, most: float
) -> None:
    """128 probes, started by the unit's options: 64 MB resident after a night and a message, 75 MB with the page looked at."""
    faulthandler.cancel_dump_traceback_later()
    state, compiled = filled
    shutil.copytree(state, tmp_path / "state")
    found = dict(bench_store_month.measure(tmp_path, NAMES, compiled, page=page))
    assert found[when][0] <= most, found
