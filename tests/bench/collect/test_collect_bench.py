"""Two days of a site of 40 probes sent to a real server, within limits that a busy machine still keeps."""

from __future__ import annotations

import os

import pytest
from tests.bench.collect.bench_collect_ingest import measure
from tests.collect.postgres import programs


@pytest.mark.skipif(programs() is None and not os.environ.get("CI"), reason="PostgreSQL is not installed")
def test_what_sending_on_costs() -> None:
    """The server's processor time against a bare COPY of the same rows (goal 2), and the sender's memory over TLS (goal 8 MB)."""
    cost = measure(2, 40)
    assert cost.readings == 2 * 40 * 1440
    assert cost.times <= 2.4
    assert cost.more_mb <= 8  # 7.0 to 7.3 at load 26
