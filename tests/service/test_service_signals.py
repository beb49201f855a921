"""Being asked to end: whenever the signal comes it is noticed, and nothing can block on it."""

from __future__ import annotations

import signal
import subprocess
import sys

import pytest

_WAITS = """
from dewkeeper.service.signals import EndSignal
end = EndSignal()
print("ready", flush=True)
while not end.wait(0.0001):
    pass
print("ended", flush=True)
"""
_ALONE = """
import os, signal
from dewkeeper.service.signals import EndSignal
signal.signal(signal.SIGUSR1, lambda *_: None)
end = EndSignal()
assert not end.wait(0)
os.kill(os.getpid(), signal.SIGUSR1)
assert not end.wait(0)
for _ in range(100_000):  # more than a pipe holds
    os.kill(os.getpid(), signal.SIGINT)
assert end.wait(3600)
assert end.wait(3600)
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_process_that_waits_in_short_turns_ends_whenever_the_signal_comes(number: int) -> None:
    """Thirty processes that all but always stand between two waits end orderly, each at the one signal it gets."""
    for _ in range(30):
        with subprocess.Popen([sys.executable, "-c", _WAITS], stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
            process.send_signal(number)
            assert process.communicate(timeout=120)[0] == "ended\n"
            assert process.returncode == 0


def test_a_signal_is_kept_until_somebody_waits_and_many_block_nothing() -> None:
    """A signal before the wait ends it at once; another kind of signal does not; a flood of them fills no pipe."""
    subprocess.run([sys.executable, "-c", _ALONE], check=True, timeout=60)
