"""Fixtures of the whole tree: nothing may be left running or open behind a test."""

from __future__ import annotations

import gc
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from tests.amounts import SEED, amount

# How long an example takes is the machine's affair, never a reason to fail. Derandomized is what hypothesis would be in CI.
settings.register_profile(
    "dewkeeper", max_examples=amount(30, 1000), deadline=None, derandomize=False, print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
settings.load_profile("dewkeeper")

_PATIENCE_SECONDS = 5.0


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    """Let every property draw from the run's seed, unless the command line names one."""
    if config.option.hypothesis_seed is None:
        config.option.hypothesis_seed = str(SEED)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say with which seed everything was drawn, so that it can be drawn again."""
    terminalreporter.write_line(f"drawn with DEWKEEPER_SEED={SEED}")


def pytest_collection_finish() -> None:
    """Set aside what the imports and the collection made: it stays, and a collection during the tests is then quick."""
    gc.collect()
    gc.freeze()


def _open_sockets() -> set[str]:
    found = set()
    for entry in Path("/proc/self/fd").iterdir():
        try:
            target = str(entry.readlink())
        except OSError:
            continue
        if target.startswith("socket:"):
            found.add(target)
    return found


@pytest.fixture
def card() -> Iterator[Path]:
    """Give a folder on no mounted file system, as a Pi's card is: the tests' own folders may lie in memory, which is mounted."""
    from dewkeeper.store.drive import on_a_mount  # most tests need no store

    for place in (tempfile.gettempdir(), "/var/tmp", Path.cwd(), Path.home()):  # noqa: S108  a folder of its own in it
        if not on_a_mount(Path(place).resolve()):
            with tempfile.TemporaryDirectory(dir=place) as folder:
                yield Path(folder)
            return
    pytest.skip("every folder that may be written lies on a mounted file system")


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread running or a socket open."""
    threads = set(threading.enumerate())
    sockets = _open_sockets()
    yield
    left = [t for t in threading.enumerate() if t not in threads]
    for thread in left:
        thread.join(_PATIENCE_SECONDS)
    left = [t for t in left if t.is_alive() and not t.name.startswith("asyncio_")]
    assert not left, f"threads left running: {[t.name for t in left]}"
    leaked = _open_sockets() - sockets
    if leaked:  # it may only wait to be collected
        gc.collect()
        leaked = _open_sockets() - sockets
    assert not leaked, f"{len(leaked)} socket(s) left open"
