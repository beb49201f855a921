"""Two processes, or two bus objects, on one adapter."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dewkeeper_demo.wire import Wire
from dewkeeper_drivers.adapters import find_adapter
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.errors import BusBusy
from dewkeeper_drivers.locks import AdapterLock, holder_of

READER = Path(__file__).with_name("second_reader.py")
READINGS = 300


def _serve(wire: Wire, connection: socket.socket) -> None:
    """Carry the transfers of one process to the wire."""
    with connection, connection.makefile("rw") as file:
        for line in file:
            kind, *rest = json.loads(line)
            answer: list[Any]
            try:
                if kind == "now":
                    answer = [None, wire.now()]
                elif kind == "sleep":
                    answer = [None, wire.pass_time(rest[0])]  # type: ignore[func-returns-value]
                else:
                    address, data, count = rest
                    answer = [None, wire.transfer(kind, address, bytes.fromhex(data), count).hex()]
            except OSError as error:
                answer = [error.errno, None]
            file.write(json.dumps(answer) + "\n")
            file.flush()


@pytest.fixture
def served(rig: Any, tmp_path: Path) -> Iterator[str]:
    """A wire with a sensor on channel 3 of two multiplexers, reachable by two other processes."""
    for address in (0x70, 0x71):
        rig.behind(rig.wire.add_mux(address), 3, number=address)
    path = str(tmp_path / "wire.sock")
    threads = []
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(path)
        listening.listen()

        def accept() -> None:
            # Nobody is answered before both are there: on a busy machine one would be done before the other began.
            for connection in [listening.accept()[0] for _ in range(2)]:
                threads.append(threading.Thread(target=_serve, args=(rig.wire, connection)))
                threads[-1].start()

        accepting = threading.Thread(target=accept)
        accepting.start()
        yield path
        accepting.join(60)
        for thread in threads:
            thread.join(60)


def _two_readers(served: str, lock: str) -> dict[str, int]:
    running = [
        subprocess.Popen(
            [sys.executable, str(READER), served, lock, str(multiplexer), str(READINGS)],
            stdout=subprocess.PIPE,
            text=True,
        )
        for multiplexer in (0x70, 0x71)
    ]
    total = {"own": 0, "other": 0, "failed": 0}
    for process in running:
        told, _ = process.communicate(timeout=120)
        assert process.returncode == 0
        for key, count in json.loads(told).items():
            total[key] += count
    return total


@pytest.mark.above_seam
def test_two_processes_with_the_lock_never_disturb_each_other(served: str, tmp_path: Path) -> None:
    """Two processes that read through one adapter at the same time each get every reading, all their own."""
    assert _two_readers(served, str(tmp_path / "adapter.lock")) == {"own": 2 * READINGS, "other": 0, "failed": 0}


@pytest.mark.above_seam
def test_without_the_lock_they_would(served: str) -> None:
    """The same without a lock fails now and then: what the lock is for, and that this test could tell."""
    outcome = _two_readers(served, "-")
    assert outcome["failed"] + outcome["other"] > 0


_HOLDER = """
import sys, time
from pathlib import Path
from dewkeeper_drivers.locks import AdapterLock
lock = AdapterLock(Path(sys.argv[1]))
lock.acquire(1.0)
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def lock_path(rig: Any, tmp_path: Path) -> Path:
    """What is locked: a real bus's own device, a wire's lock file."""
    return Path("/dev/i2c-1") if rig.config().kind == "linux" else tmp_path / "adapter.lock"


@pytest.fixture
def holder(lock_path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the lock until it is told to end."""
    command = [sys.executable, "-c", _HOLDER, str(lock_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def test_busy_adapter_names_its_holder(rig: Any, lock_path: Path, holder: subprocess.Popen[str]) -> None:
    """While another process holds the adapter a reading fails after its patience, naming process and command."""
    rig.direct()
    config = rig.config(options={"lock": str(lock_path)})
    bus = Bus(config, find_adapter(config.kind), lock_seconds=0.02)
    with pytest.raises(BusBusy, match=rf"process {holder.pid} \(.*python"):
        rig.probe(bus)
    holder.kill()
    holder.wait(120)
    assert rig.probe(bus).read().temperature_word == 20_001, "a killed process must not leave the bus locked"
    bus.close()


def test_two_bus_objects_in_one_process_exclude_each_other(rig: Any, lock_path: Path) -> None:
    """A second bus object on the same adapter waits as another process would."""
    rig.direct()
    config = rig.config(options={"lock": str(lock_path)})
    first, second = (Bus(config, find_adapter(config.kind), lock_seconds=0.02) for _ in range(2))
    with first.session(first.port()), pytest.raises(BusBusy):
        second.port().try_lock()
    assert rig.probe(second).read().temperature_word == 20_001
    first.close()
    second.close()


def test_thread_that_waits_too_long_is_told(rig: Any) -> None:
    """A thread that cannot have the bus within its patience gets an error instead of waiting for ever."""
    rig.direct()
    config = rig.config()
    bus = Bus(config, find_adapter(config.kind), lock_seconds=0.02)
    told: list[BaseException] = []

    def use() -> None:
        try:
            bus.port().try_lock()
        except BusBusy as error:
            told.append(error)

    with bus.session(bus.port()):
        thread = threading.Thread(target=use)
        thread.start()
        thread.join(60)
    assert len(told) == 1
    bus.close()


def test_free_lock_has_no_holder(tmp_path: Path) -> None:
    """Nobody is named for a file nobody holds, nor for one that is not there."""
    lock = AdapterLock(tmp_path / "free")
    assert lock.holder() is None
    lock.acquire(0.0)
    assert lock.holder() is not None
    lock.close()
    lock.close()
    assert holder_of(tmp_path / "absent") is None
