"""A short day of the bus bench: `dewkeeper run`, unmodified, on the emulated kernel's devices, within its limits."""

from __future__ import annotations

import os

import pytest
from tests.bench.bus.day import measure
from tests.kernel.emulated import compiler

pytestmark = [
    pytest.mark.skipif(compiler() is None and not os.environ.get("CI"), reason="no C compiler for the emulated kernel"),
]


@pytest.mark.parametrize("route", ["user", "kernel"])
def test_a_short_day_of_128_probes(route: str) -> None:
    """Every stored value is its own chip's, none is lost while all is well, and the bus is not held longer than allowed."""
    told = measure(route, polls=4, dead_polls=6)
    assert told["readings_stored"] > 0
    assert (told["wrong"], told["healthy_lost"], told["extra_conversions"]) == (0, 0, 0)
    assert told["first_poll_s"] <= 5.0
    assert told["poll_s"] <= 5.0
    assert told["dead_branch_adds_s"] <= 2.0
    assert told["four_dead_add_s"] <= 3.0
