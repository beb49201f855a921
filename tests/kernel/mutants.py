"""Mistakes that a change of `linux.py` could make, each as an edit of its text: python -m tests.kernel.mutants

Each is made in a copy of the drivers, and the tests that hold the adapter to the kernel are run over that copy. A mutant
that passes them all is a hole in the tests. test_kernel_mutants.py demands that there is none.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.kernel.emulated import preloaded

ROOT = Path(__file__).parents[2]

MUTANTS: dict[str, tuple[str, str]] = {
    "the structure copied instead of the answer": ("return bytes(message)", "return bytes(bytearray(message))"),
    "the bytes in reverse": ("return bytes(message)", "return bytes(message)[::-1]"),
    "one byte too few asked for": ("i2c_msg.read(address, count)", "i2c_msg.read(address, count - 1)"),
    "the last byte not sent": ("i2c_msg.write(address, data)", "i2c_msg.write(address, data[:-1])"),
    "the next address": ("i2c_msg.read(address, count)", "i2c_msg.read(address + 1, count)"),
    "the time-out not set": ("fcntl.ioctl(descriptor, _I2C_TIMEOUT,", "(lambda *_: None)(descriptor, _I2C_TIMEOUT,"),
    "the time-out in milliseconds": ("TRANSFER_TIMEOUT_SECONDS * 100", "TRANSFER_TIMEOUT_SECONDS * 1000"),
    "the controller's time-out not set": ("_bound_device(controller)", "pass"),
    "the kernel tries again too": ("_I2C_RETRIES, 0)", "_I2C_RETRIES, 3)"),
    "a failed write taken for done": (
        "        self._bus.i2c_rdwr(i2c_msg.write(address, data))",
        "        with suppress(OSError):\n            self._bus.i2c_rdwr(i2c_msg.write(address, data))",
    ),
    "an empty message that cannot be sent taken for an answer": (
        "        self._bus.i2c_rdwr(i2c_msg.write(address, data))",
        "        try:\n            self._bus.i2c_rdwr(i2c_msg.write(address, data))\n"
        "        except OSError as error:\n            if error.errno != errno.EOPNOTSUPP:\n                raise",
    ),
    "a failed read taken for zeros": (
        "        self._bus.i2c_rdwr(message)",
        "        with suppress(OSError):\n            self._bus.i2c_rdwr(message)",
    ),
    "another number for what failed": (
        "        self._bus.i2c_rdwr(message)",
        "        try:\n            self._bus.i2c_rdwr(message)\n"
        "        except OSError as error:\n            raise OSError(errno.EIO, 'failed') from error",
    ),
    "a chip that a driver has taken for free": ("error.errno == errno.EBUSY", "error.errno == errno.EPERM"),
    "closed, but not really": (
        "        self._bus.close()\n\n    def _descriptor",
        "        pass\n\n    def _descriptor",
    ),
}
"""What goes wrong -> the text in linux.py and what stands there instead."""


def survivors(names: list[str]) -> list[str]:
    """Return the mutants, of those named, that no test notices."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copy = Path(folder) / "drivers"
        shutil.copytree(ROOT / "drivers", copy, ignore=shutil.ignore_patterns("__pycache__"))
        file = copy / "dewkeeper_drivers/linux.py"
        right = file.read_text()
        if _fails(Path(folder)):
            raise RuntimeError("the tests fail without a mutant")
        found = []
        for name in names:
            text, instead = MUTANTS[name]
            if text not in right:
                raise ValueError(f"{name}: linux.py has no {text!r}")
            file.write_text(right.replace(text, instead, 1))
            if not _fails(Path(folder)):
                found.append(name)
        return found


def _fails(folder: Path) -> bool:
    environment = {
        **os.environ, **preloaded(folder), "PYTHONPATH": f"{folder / 'drivers'}:{ROOT}", "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip
    tests = str(ROOT / "tests/kernel/inside/test_inside_adapter.py")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", "-o", "pythonpath=", tests],
        env=environment, cwd=ROOT, capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stdout + done.stderr)
    return done.returncode == 1


if __name__ == "__main__":
    left = survivors(sys.argv[1:] or list(MUTANTS))
    print("\n".join(left) if left else "every mutant fails a test")
    sys.exit(1 if left else 0)
