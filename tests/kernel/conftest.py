"""The emulated kernel, where there is a compiler for its library; in CI there must be one."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.kernel.emulated import EmulatedKernel, compiler

IN_CI = bool(os.environ.get("CI"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Skip this folder's tests, plainly, where the library cannot be built."""
    if compiler() is not None or IN_CI:
        return
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.skip(reason="no C compiler for the emulated kernel"))


@pytest.fixture
def kernel() -> Iterator[EmulatedKernel]:
    """Give a kernel without devices; every device opened must have been closed."""
    with EmulatedKernel() as made:
        yield made
    assert not +made.opened, "a device was left open"


Child = Callable[..., str]


@pytest.fixture
def child(kernel: EmulatedKernel) -> Child:
    """Give a function that runs Python text, or a command of dewkeeper's, on those devices; returns what it printed."""

    def run(text: str = "", *command: str, code: int = 0) -> str:
        asked = ["-m", "dewkeeper", *command] if command else ["-c", text]
        done = subprocess.run(
            [sys.executable, "-W", "error", *asked],
            env={**os.environ, **kernel.environment()}, capture_output=True, text=True, check=False, timeout=600,
        )  # fmt: skip
        assert done.returncode == code, done.stderr
        return done.stdout

    return run
