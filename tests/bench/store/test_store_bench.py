"""The store's counts as gates: what is the same on every machine may not get worse."""

from __future__ import annotations

import faulthandler
import shutil

import pytest
from tests.bench.store.store_table import measure


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler for the recorder of writes")
@pytest.mark.parametrize("part", ["writing", "gentle", "reading"])
def test_counts_keep_their_limits(part: str) -> None:
    """Bytes written and read, syncs and sizes stay within what a card and its years can bear."""
    faulthandler.cancel_dump_traceback_later()  # it takes minutes
    rows = [(row, row.gate) for row in measure(quick=True, only=(part,)) if row.gate is not None]
    worse = [f"{row}; CI allows {gate:g}" for row, gate in rows if row.value > gate]
    assert rows
    assert not worse, worse
