"""Runs tests/kernel/inside with the emulated kernel's library loaded into the process that runs them."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from tests.kernel.emulated import preloaded

INSIDE = Path(__file__).parent / "inside"


@pytest.mark.slow
def test_what_must_run_inside_the_process_passes() -> None:
    """Every test of the folder `inside` passes, none is skipped."""
    with tempfile.TemporaryDirectory(prefix="i2c-") as folder:
        done = subprocess.run(
            [sys.executable, "-W", "error", "-m", "pytest", "-q", "-rs", "-p", "no:cacheprovider", "-o", "faulthandler_timeout=3600", str(INSIDE)],
            env={**os.environ, **preloaded(Path(folder))}, cwd=INSIDE.parents[2],
            capture_output=True, text=True, check=False, timeout=900,
        )  # fmt: skip
    assert done.returncode == 0, done.stdout
    assert "skipped" not in done.stdout
