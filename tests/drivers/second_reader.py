"""A second process on the same wire: connects to the socket named first, locks the file named second, reads.

Arguments: socket, lock file or `-`, multiplexer, number of readings. Prints how many readings were its own sensor's,
how many were not, and how many failed, as JSON. Run by test_drivers_processes.py.
"""

from __future__ import annotations

import json
import socket
import sys
from pathlib import Path
from typing import Any

from dewkeeper_config.door import checked
from dewkeeper_config.models import BusConfig, Multiplexer, ProbeConfig
from dewkeeper_drivers.buses import Bus
from dewkeeper_drivers.contract import Probe
from dewkeeper_drivers.errors import ProbeError
from dewkeeper_drivers.registry import open_probe


class RemoteAdapter:
    """An adapter whose wire is in another process."""

    def __init__(self, path: str, lock_path: Path | None) -> None:
        self.lock_path = lock_path
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.connect(path)
        self._file = self._socket.makefile("rw")

    def _ask(self, *question: Any) -> Any:
        self._file.write(json.dumps(question) + "\n")
        self._file.flush()
        error, answer = json.loads(self._file.readline())
        if error is not None:
            raise OSError(error, "remote")
        return answer

    def write(self, address: int, data: bytes) -> None:
        self._ask("write", address, data.hex(), 0)

    def read(self, address: int, count: int) -> bytes:
        return bytes.fromhex(self._ask("read", address, "", count))

    def now(self) -> float:
        return float(self._ask("now"))

    def sleep(self, seconds: float) -> None:
        self._ask("sleep", seconds)

    def close(self) -> None:
        self._file.close()
        self._socket.close()


def main(path: str, lock: str, multiplexer: int, readings: int) -> dict[str, int]:
    """Read the sensor on channel 3 again and again; its words are its multiplexer's address."""
    config = BusConfig(name="w", kind="remote", multiplexers=[Multiplexer(address=address) for address in (0x70, 0x71)])
    lock_path = None if lock == "-" else Path(lock)
    bus = Bus(config, lambda _config: RemoteAdapter(path, lock_path), lock_seconds=30.0)
    wired = {"enclosure": "B4", "bus": "w", "address": 0x44, "multiplexer": multiplexer, "channel": 3}
    probe_config = checked(ProbeConfig, {"name": "p", **wired})
    probe: Probe | None = None
    outcome = {"own": 0, "other": 0, "failed": 0}
    for _ in range(readings):
        bus.begin_cycle()
        try:
            probe = probe or open_probe(probe_config, bus)
            sample = probe.read()
        except ProbeError:
            probe = None
            outcome["failed"] += 1
        else:
            outcome["own" if sample.temperature_word == 20_000 + multiplexer else "other"] += 1
    bus.close()
    return outcome


if __name__ == "__main__":
    sys.stdout.write(json.dumps(main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))))
