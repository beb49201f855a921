"""Ten small sites against one real server, within limits that a busy machine still keeps."""

from __future__ import annotations

import os

import pytest
from tests.bench.collect.bench_collect_sites import measure
from tests.collect.postgres import programs


@pytest.mark.skipif(programs() is None and not os.environ.get("CI"), reason="PostgreSQL is not installed")
def test_many_sites_and_one_server() -> None:
    """Nothing is lost or doubled, ingest stays near a bare COPY (goal 2), a reading near 85 bytes, and what stands has its index."""
    found = measure(10, 2, 3, 16, lambda _: None)
    assert found.outage.each <= 2.8 * found.bare.each  # 1.9 to 2.0; of 200,000 readings a tick counts
    assert 60 <= found.bytes_a_reading <= 100
    assert found.usual.passes == 10
    assert "alarm_standing" in found.plan
    assert (
        found.queries["all sites' morning, the first screen"][1] < 2000
    )  # the goal of a thousand sites; measured 100 at most
