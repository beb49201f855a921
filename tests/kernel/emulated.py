"""The kernel's side of I2C for tests: devices /dev/i2c-N of which a process that runs unmodified knows nothing better.

    with EmulatedKernel() as kernel:
        wire = Wire(1)
        wire.attach(Sht3x(lambda: (28.0, 65.0), serial=7))
        kernel.add(wire)                                    # /dev/i2c-1
        mux = wire.add_mux(0x70)
        kernel.drive(wire, mux, first=22)                   # a kernel's multiplexer: /dev/i2c-22 to /dev/i2c-29
        subprocess.run(["dewkeeper", ...], env={**os.environ, **kernel.environment()})

The wires and chips are the demonstration's, in this process, with all the faults of tests/wire. What the child says
to the devices reaches them through a small library in C, loaded by LD_PRELOAD (`i2c_dev.c`) and built here by `cc`.

Time: by default a wait of the child for the bus takes the wire's time and no real time, and while a thread of its uses
the bus no other time passes for it (`bus_time.c`); nothing then depends on how busy the machine is. With
`EmulatedKernel(real_time=True)` everything takes the time it takes: for children with clocks of their own, and for
several that talk at once.

From the shell: `python -m tests.kernel.chips --help` serves a rack of chips until it is stopped, and
`python -m tests.kernel.under COMMAND ...` runs a command with the library loaded; under it pytest finds the variable
`EMULATED_I2C`, and tests that open an `EmulatedKernel` of their own (as the rig of tests/drivers does) then reach it
from the same process.

Imitated from the kernel's sources, by memory: i2c-dev.c (which calls, limits, EBUSY of an address with a driver),
i2c-core-smbus.c (SMBus calls as plain messages), i2c-mux-pca954x.c (select only what is not selected, `idle_state`),
and that a time-out set on a multiplexer's channel has no effect: the controller's own counts. Not imitated: a repeated
start (messages of one call are carried one after the other, with a stop between), ten-bit addresses, PEC, block calls.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import socket
import struct
import subprocess
import tempfile
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Literal

from tests.kernel.kernel_calls import HANDLERS, Adapter, Controller, KernelMux

from dewkeeper_demo.wire import Wire
from dewkeeper_demo.wire_chips import Mux

HERE = Path(__file__).parent
SOURCES = ("i2c_dev.c", "bus_time.c", "i2c_dev.h")

# i2c_dev.h of this folder
_QUESTION = struct.Struct("=c3xIq")
_ANSWER = struct.Struct("=iId")


def compiler() -> str | None:
    """Return the C compiler, None where there is none."""
    return shutil.which("cc")


def library() -> Path:
    """Return the library, built if it was not yet. Raises CalledProcessError, FileNotFoundError without a compiler."""
    text = b"".join((HERE / name).read_bytes() for name in SOURCES)
    made = Path(tempfile.gettempdir()) / f"emulated-i2c-{os.getuid()}-{hashlib.sha256(text).hexdigest()[:16]}.so"
    if not made.exists():
        fresh = made.with_suffix(f".{os.getpid()}")
        sources = [str(HERE / name) for name in SOURCES if name.endswith(".c")]
        subprocess.run(
            [
                "cc",
                "-O2",
                "-Wall",
                "-Wextra",
                "-Werror",
                "-shared",
                "-fPIC",
                "-o",
                str(fresh),
                *sources,
                "-ldl",
                "-lpthread",
            ],
            check=True,
        )
        fresh.replace(made)
    return made


class EmulatedKernel:
    """Serves the devices from entering to leaving.

    folder: where they lie, by default a new one, removed afterwards. opened: how often each number is open now.
    """

    def __init__(self, folder: Path | None = None, *, real_time: bool = False) -> None:
        self.real_time = real_time
        self.adapters: dict[int, Adapter] = {}
        self.opened: Counter[int] = Counter()
        self._own = folder is None
        self.folder = folder or Path(tempfile.mkdtemp(prefix="i2c-"))
        self._threads: list[threading.Thread] = []
        self._connections: set[socket.socket] = set()
        self._lock = threading.Lock()

    def __enter__(self) -> EmulatedKernel:
        for name in ("dev", "sys"):
            shutil.rmtree(self.folder / name, ignore_errors=True)
        for name in ("dev", "sys/bus/i2c/devices", "sys/bus/i2c/drivers", "sys/class/i2c-dev", "sys/class/i2c-adapter"):
            (self.folder / name).mkdir(parents=True)
        path = self.folder / "socket"
        path.unlink(missing_ok=True)
        self._listening = socket.socket(socket.AF_UNIX)
        self._listening.bind(str(path))
        self._listening.listen(64)
        self._start(self._accept)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        with self._lock:
            for connection in self._connections:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
        for thread in list(self._threads):
            thread.join(10)
        if self._own:
            shutil.rmtree(self.folder, ignore_errors=True)

    def environment(self, idle_speed: int = 1) -> dict[str, str]:
        """Return the variables with which a child meets these devices.

        idle_speed: how many times as fast the child's clocks go while nothing is said on the bus.
        """
        return preloaded(self.folder, "real" if self.real_time else "wire", idle_speed)

    def add(self, wire: Wire) -> Controller:
        """Make a wire /dev/i2c-N, N its number, and return its controller."""
        wire.real_time = self.real_time
        controller = Controller(wire)
        self.adapters[wire.number] = Adapter(controller)
        here = self._device(f"i2c-{wire.number}", f"i2c-{wire.number}", "bcm2835 (i2c@7e804000)")
        self._show(wire.number, here)
        return controller

    def drive(self, wire: Wire, mux: Mux, first: int, *, disconnect: bool = True) -> list[int]:
        """Have the kernel drive a multiplexer: its channels become numbers from `first` on, which are returned."""
        controller = self.adapters[wire.number].controller
        driven = KernelMux(mux, disconnect)
        parent = f"i2c-{wire.number}"
        there = self.own(wire.number, mux.address, "pca954x")
        (there / "idle_state").write_text("-2\n" if disconnect else "-1\n")
        numbers = list(range(first, first + len(mux.channels)))
        for channel, number in enumerate(numbers):
            self.adapters[number] = Adapter(controller, driven, channel)
            here = self._device(f"{parent}/i2c-{number}", f"i2c-{number}", f"{parent}-mux (chan_id {channel})")
            (here / "mux_device").symlink_to(f"../{there.name}")
            (there / f"channel-{channel}").symlink_to(f"../i2c-{number}")
            self._show(number, here)
        return numbers

    def own(self, number: int, address: int, driver: str) -> Path:
        """Have a driver of the kernel hold an address, as after an overlay; return its folder below sys/."""
        self.adapters[number].controller.owned[address] = driver
        at = self.folder / "sys/bus/i2c/devices" / f"i2c-{number}"
        here = self._device(
            f"{at.resolve().relative_to(self._devices)}/{number}-{address:04x}", f"{number}-{address:04x}", driver
        )
        kind = self.folder / "sys/bus/i2c/drivers" / driver
        kind.mkdir(exist_ok=True)
        (here / "driver").symlink_to(os.path.relpath(kind, here))
        return here

    def remove(self, number: int) -> None:
        """Take a device away, as with its module or its cable; who has it open hears ENODEV."""
        self.adapters[number].removed = True
        (self.folder / f"dev/i2c-{number}").unlink(missing_ok=True)

    def put_back(self, number: int) -> None:
        """Give a removed device back."""
        self.adapters[number].removed = False
        (self.folder / f"dev/i2c-{number}").touch()

    # --- below /sys ---

    @property
    def _devices(self) -> Path:
        return self.folder / "sys/devices/emulated"

    def _device(self, place: str, name: str, says: str) -> Path:
        here = self._devices / place
        here.mkdir(parents=True)
        (here / "name").write_text(says + "\n")
        there = self.folder / "sys/bus/i2c/devices" / name
        there.symlink_to(os.path.relpath(here, there.parent))
        return here

    def _show(self, number: int, here: Path) -> None:
        (self.folder / f"dev/i2c-{number}").touch()
        for place in ("i2c-dev", "i2c-adapter"):
            there = self.folder / f"sys/class/{place}/i2c-{number}"
            there.symlink_to(os.path.relpath(here, there.parent))

    # --- the devices ---

    def _start(self, target: Callable[..., None], *args: object) -> None:
        thread = threading.Thread(target=target, args=args, name="emulated kernel", daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            with self._lock:
                self._connections.add(connection)
                self._threads = [thread for thread in self._threads if thread.is_alive()]
            self._start(self._serve, connection)

    def _serve(self, connection: socket.socket) -> None:
        number: int | None = None
        with connection, connection.makefile("rb") as file, suppress(OSError):
            while head := file.read(_QUESTION.size):
                what, length, about = _QUESTION.unpack(head)
                data = file.read(length)
                if what == b"c" and number is not None:
                    self._count(number, -1)
                    number = None
                answer = self._answered(about if what == b"o" else number, what, about, data)
                if what == b"o" and _ANSWER.unpack_from(answer)[0] == 0:  # what was refused is not open
                    number = about
                    self._count(number, 1)
                connection.sendall(answer)
        with self._lock:
            self._connections.discard(connection)
        if number is not None:  # its process ended
            self._count(number, -1)

    def _count(self, number: int, more: int) -> None:
        with self._lock:
            self.opened[number] += more

    def _answered(self, number: int | None, what: bytes, about: int, data: bytes) -> bytes:
        if what == b"c":
            return _ANSWER.pack(0, 0, 0.0)
        adapter = self.adapters.get(-1 if number is None else number)
        if adapter is None:
            return _ANSWER.pack(errno.ENOENT, 0, 0.0)
        wire = adapter.controller.wire
        code, result, before = 0, b"", wire.now()
        if what == b"s":
            wire.pass_time(struct.unpack("=d", data)[0])
        elif adapter.removed or not wire.exists:
            code = errno.ENOENT if what == b"o" else errno.ENODEV
        else:
            with adapter.controller.lock:
                before = wire.now()
                try:
                    result = HANDLERS[what](adapter, about, data)
                except OSError as error:
                    code = error.errno or errno.EIO
        return _ANSWER.pack(code, len(result), wire.now() - before) + result


def preloaded(folder: Path, waits: Literal["real", "wire", "gone"] = "wire", idle_speed: int = 1) -> dict[str, str]:
    """Return the variables with which a process meets the devices in a folder; `bus_time.c` says what the waits are."""
    return {
        "LD_PRELOAD": str(library()), "EMULATED_I2C": str(folder),
        "EMULATED_I2C_WAITS": waits, "EMULATED_I2C_IDLE": str(idle_speed),
    }  # fmt: skip
