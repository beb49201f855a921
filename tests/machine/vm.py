"""A virtual machine: started, spoken to, cut off from power.

QEMU without acceleration, so it runs wherever there is a processor; it is ten to thirty times slower than the host and
waits are generous. Scripts go to `guest/agent.py` in it over a virtio port; the console is kept as a file.
"""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.machine.image import KEEPER, Image

BOOT_SECONDS = 900.0


class StepFailed(AssertionError):
    """What was expected of the machine did not come true."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a script in the machine came to."""

    code: int
    said: str


class VirtualMachine:
    """One machine with the disks in its folder."""

    def __init__(self, image: Image, folder: Path) -> None:
        self._image, self._folder = image, folder
        self._disks = tuple(folder / f"{name}.ext4" for name in ("disk", "seed", "stick"))
        self._process: subprocess.Popen[bytes] | None = None
        self._line: socket.socket | None = None
        self._held = b""
        self._count = 0
        self.boot = ""
        self.console = folder / "console.log"

    def power_on(self, clock: str = "utc") -> float:
        """Boot and wait until the machine greets; return the seconds that took.

        clock: what its hardware clock says at power-on, as QEMU's -rtc takes it.
        """
        began = time.monotonic()
        port = self._folder / "port"
        port.unlink(missing_ok=True)
        qemu = shutil.which("qemu-system-x86_64") or "qemu-system-x86_64"
        drives = [word for disk in self._disks for word in ("-drive", f"file={disk},if=virtio,format=raw")]
        with self.console.open("ab") as log:
            self._process = subprocess.Popen(
                [qemu, "-accel", "tcg,thread=multi", "-machine", "q35", "-cpu", "Nehalem", "-smp", "2", "-m", "1024",
                 "-nodefaults", "-display", "none", "-nic", "none", "-rtc", f"base={clock}", *drives,
                 "-kernel", str(self._image.kernel), "-initrd", str(self._image.ramdisk),
                 "-append", "root=/dev/vda rw console=ttyS0 quiet systemd.show_status=0 mitigations=off",
                 "-serial", f"file:{self._folder / 'serial.log'}",
                 "-device", "virtio-serial", "-chardev", f"socket,id=agent,path={port},server=on,wait=off",
                 "-device", "virtserialport,chardev=agent,name=machine", "-device", "virtio-rng-pci"],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        until(port.exists, 60, "QEMU opens its port")
        self._line = socket.socket(socket.AF_UNIX)
        self._line.connect(str(port))
        self.wait_for_boot()
        return time.monotonic() - began

    def wait_for_boot(self) -> None:
        """Wait for the greeting of another boot than the last. Raises StepFailed."""
        before, ends = self.boot, time.monotonic() + BOOT_SECONDS
        while self.boot == before:
            message = self._next(ends - time.monotonic())
            if message is None:
                raise StepFailed(f"the machine did not boot in {BOOT_SECONDS:.0f} s; see {self._folder}/serial.log")
            self.boot = message.get("boot", self.boot)

    def cut_power(self) -> None:
        """End QEMU at once: what the guest has not sent to its disk is gone, as when the plug is pulled."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        if self._line is not None:
            self._line.close()
        self._process = self._line = None
        self._held = b""

    def run(self, script: str, *, user: str = "root", timeout: float = 300) -> Answer:
        """Run a script in a login shell of the machine. Raises StepFailed when the machine does not answer."""
        if self._line is None:
            raise StepFailed("the machine is off")
        self._count += 1
        request = {"id": self._count, "user": user, "script": script, "timeout": timeout}
        self._line.settimeout(60)
        self._line.sendall(json.dumps(request).encode() + b"\n")
        ends = time.monotonic() + timeout + 120
        while (message := self._next(ends - time.monotonic())) is not None:
            if message.get("id") == self._count:
                return Answer(message["code"], message["said"])
        raise StepFailed(f"no answer from the machine: {script[:200]}")

    def done(self, script: str, *, user: str = "root", timeout: float = 300) -> str:
        """Run a script that must end with 0; return what it printed. Raises StepFailed."""
        answer = self.run(script, user=user, timeout=timeout)
        if answer.code != 0:
            raise StepFailed(f"`{script[:300]}` ended with {answer.code}:\n{answer.said[-3000:]}")
        return answer.said

    def keeper(self, script: str, *, timeout: float = 300) -> Answer:
        """Run a script as the keeper, newly logged in."""
        return self.run(script, user=KEEPER, timeout=timeout)

    def _next(self, seconds: float) -> dict[str, Any] | None:
        """Return the next message, None when there is none in that time."""
        ends = time.monotonic() + seconds
        while b"\n" not in self._held:
            left = ends - time.monotonic()
            if left <= 0 or self._line is None:
                return None
            self._line.settimeout(left)
            try:
                got = self._line.recv(65536)
            except TimeoutError:
                return None
            if not got:
                raise StepFailed("QEMU ended")
            self._held += got
        line, _, self._held = self._held.partition(b"\n")
        message: dict[str, Any] = json.loads(line)
        return message


def until(true: Callable[[], object], seconds: float, what: str) -> float:
    """Ask again every second until it is so; return after how many. Raises StepFailed."""
    began = time.monotonic()
    while not true():
        if time.monotonic() - began > seconds:
            raise StepFailed(f"not within {seconds:.0f} s: {what}")
        time.sleep(1)
    return time.monotonic() - began
