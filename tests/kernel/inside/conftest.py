"""Tests that open devices of the emulated kernel in their own process: they need its library loaded into it.

tests/kernel/test_kernel_inside.py runs them so; alone: python -m tests.kernel.under python -m pytest tests/kernel/inside
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.kernel.emulated import EmulatedKernel

LOADED = "EMULATED_I2C" in os.environ
collect_ignore_glob = [] if LOADED else ["test_*.py"]


@pytest.fixture
def inside() -> Iterator[EmulatedKernel]:
    """Give a kernel whose devices this process itself can open."""
    with EmulatedKernel(Path(os.environ["EMULATED_I2C"])) as kernel:
        yield kernel
        assert not +kernel.opened, "a device was left open"
