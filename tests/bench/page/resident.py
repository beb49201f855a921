"""Resident memory of the real daemon with its page: 40 simulated probes, a login, every screen three times.

    python -m tests.bench.page.resident [SECONDS]

Runs `dewkeeper run` in a temporary folder, by Python's options in the systemd unit, and reads /proc; SECONDS (default 20) is
how long it is left alone first.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import requests
from tests.bench.page.measure import rack_text

SCREENS = (
    "/", "/rack", "/enclosure/T1", "/enclosure/T1?span=year", "/alarms", "/journal", "/animals", "/probes", "/health",
    "/cautions",
)  # fmt: skip


UNIT = Path(__file__).resolve().parents[3] / "deploy" / "dewkeeper.service"


def resident(pid: int) -> tuple[float, float]:
    """Return what is resident now and was at most, in thousands of kB."""
    status = Path(f"/proc/{pid}/status").read_text()
    now, most = (int(re.findall(rf"{name}:\s+(\d+)", status)[0]) / 1000 for name in ("VmRSS", "VmHWM"))
    return now, most


def show(when: str, found: tuple[float, float]) -> None:
    """Print a line."""
    print(f"{when + ':':14} {found[0]:.1f} MB (at most {found[1]:.1f})", flush=True)


def options(compiled: Path) -> list[str]:
    """Return Python's options in the systemd unit, with `compiled` for the folder that the unit names."""
    command = re.findall(r"^ExecStart=(.*)$", UNIT.read_text(encoding="utf-8"), re.MULTILINE)[0].split()
    given = command[1 : command.index("-m")]
    return [f"pycache_prefix={compiled}" if word.startswith("pycache_prefix=") else word for word in given]


def start(compiled: Path, file: Path, log: Path) -> subprocess.Popen[bytes]:
    """Start the daemon as the unit does, except that its folder of compiled files is `compiled`; return it once it watches.

    Raises RuntimeError when it ends before that.
    """
    foreign = ("PYTHONDONTWRITEBYTECODE", "SSL_CERT_FILE", "SSL_CERT_DIR")  # of whoever measures, not of a service
    surroundings = {name: value for name, value in os.environ.items() if name not in foreign}
    command = [sys.executable, *options(compiled), "-m", "dewkeeper", "run", "--config", str(file)]
    with log.open("w") as sink:
        process = subprocess.Popen(command, stderr=sink, env=surroundings)
    while "watching" not in log.read_text():
        if process.poll() is not None:
            raise RuntimeError(log.read_text())
        time.sleep(0.2)
    return process


def stop(process: subprocess.Popen[bytes]) -> None:
    """End the daemon as systemd does."""
    process.send_signal(signal.SIGTERM)
    process.wait(60)


def visit(said: str, screens: Sequence[str] = SCREENS) -> None:
    """Log in at the page whose address and code were `said`, and look at every screen three times."""
    base = re.findall(r"the page is at (http://[^/]+)/", said)[0]
    code = re.findall(r"good once: (\S+)", said)[0]
    with requests.Session() as keeper:
        keeper.trust_env = False
        form = {"code": code, "name": "Ina", "password": "four plain words here"}
        keeper.post(base + "/first", data=form, timeout=60).raise_for_status()
        for path in [*screens] * 3:
            keeper.get(base + path, timeout=60).raise_for_status()


def compile_all(folder: Path) -> Path:
    """Let a daemon with a page fill a folder with what it compiles, as its first start does; return that folder.

    Compiling leaves some MB behind until the next start.
    """
    folder.mkdir()
    file, log = folder / "rack.toml", folder / "log"
    file.write_text(rack_text(folder))
    process = start(folder / "compiled", file, log)
    try:
        visit(log.read_text())
    finally:
        stop(process)
    return folder / "compiled"


def main() -> None:
    """Measure and print."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        compiled = compile_all(folder / "first")
        file, log = folder / "rack.toml", folder / "log"
        file.write_text(rack_text(folder))
        process = start(compiled, file, log)
        try:
            time.sleep(seconds)
            show("alone", resident(process.pid))
            visit(log.read_text())
            show("after visits", resident(process.pid))
        finally:
            stop(process)


if __name__ == "__main__":
    main()
