"""What carries bytes to the wire: the seam below which hardware and the demonstration differ.

An adapter makes one I2C transfer a call and raises OSError with Linux's errno when it fails. `linux` is built in;
others join by the entry-point group `dewkeeper.adapters`: name -> `open_adapter(bus) -> Adapter`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, runtime_checkable

from dewkeeper_config.models import BusConfig
from dewkeeper_drivers.errors import DriverBroken, DriverUnknown

ADAPTER_GROUP = "dewkeeper.adapters"


class Adapter(Protocol):
    """One open I2C controller.

    lock_path: a file that every process using this controller locks (flock) while it talks; None when no other
    process can reach it.
    """

    @property
    def lock_path(self) -> Path | None:
        """Return the file to lock."""
        ...

    def write(self, address: int, data: bytes) -> None:
        """Send start, address, all bytes, stop. Raises OSError.

        No bytes: only ask who is there; EOPNOTSUPP or EINVAL where the controller cannot.
        """
        ...

    def read(self, address: int, count: int) -> bytes:
        """Return exactly `count` bytes, at least one. Raises OSError."""
        ...

    def close(self) -> None:
        """Release the controller; safe to call twice."""
        ...


@runtime_checkable
class KeepsTime(Protocol):
    """An adapter with a time of its own: on an emulated wire a conversion takes 15 ms of *its* clock."""

    def now(self) -> float:
        """Return seconds that never step."""
        ...

    def sleep(self, seconds: float) -> None:
        """Let so many seconds pass."""
        ...


@runtime_checkable
class KnowsOwners(Protocol):
    """An adapter that shares its bus with drivers of the kernel and knows which addresses are theirs."""

    def owned(self, address: int) -> bool:
        """Return whether a driver of the kernel has the chip at this address; nothing is said on the bus. Raises OSError."""
        ...


OpenAdapter = Callable[[BusConfig], Adapter]


def owned_by_kernel(adapter: Adapter | None, address: int) -> bool:
    """Return whether a driver of the kernel has the chip at an address: then we say nothing to it."""
    try:
        return isinstance(adapter, KnowsOwners) and adapter.owned(address)
    except OSError:
        return False  # the controller went away; whatever comes next finds out


def present_numbers(folder: Path = Path("/dev")) -> list[int]:
    """Return N of every /dev/i2c-N there is, ascending."""
    found = (re.fullmatch(r"i2c-(\d+)", path.name) for path in folder.glob("i2c-*"))
    return sorted(int(name[1]) for name in found if name is not None)


def parent_number(number: int, folder: Path = Path("/sys/bus/i2c/devices")) -> int | None:
    """Return M where /dev/i2c-`number` is a channel of a kernel's multiplexer on /dev/i2c-M, else None."""
    try:
        there = (folder / f"i2c-{number}").resolve(strict=True)
    except OSError:
        return None
    found = re.fullmatch(r"i2c-(\d+)", there.parent.name)
    return int(found[1]) if found is not None else None


def _open_linux(bus: BusConfig) -> Adapter:
    from dewkeeper_drivers.linux import LinuxAdapter  # only machines with such a bus need it

    return LinuxAdapter(bus.number)


BUILT_IN: dict[str, OpenAdapter] = {"linux": _open_linux}


def find_adapter(kind: str) -> OpenAdapter:
    """Return what opens adapters of this kind. Raises DriverUnknown, DriverBroken."""
    if kind in BUILT_IN:
        return BUILT_IN[kind]
    from importlib.metadata import entry_points  # not for ours: it reads through everything installed

    found = {entry.name: entry for entry in entry_points(group=ADAPTER_GROUP)}
    if kind not in found:
        raise DriverUnknown(kind, [*BUILT_IN, *found])
    try:
        opener: OpenAdapter = found[kind].load()
    except Exception as error:  # importing a stranger's module may raise anything
        raise DriverBroken(f"bus kind {kind!r} cannot be loaded: {error}") from error
    return opener
