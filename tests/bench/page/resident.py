"""Resident memory of the real daemon with its page: 40 simulated probes, a login, every screen three times.

    python -m tests.bench.page.resident [SECONDS]

Runs `dewkeeper run` in a temporary folder and reads /proc; SECONDS (default 20) is how long it is left alone first.
"""

from __future__ import annotations

import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import requests
from tests.bench.page.measure import rack_text

SCREENS = (
    "/", "/rack", "/enclosure/T1", "/enclosure/T1?span=year", "/alarms", "/journal", "/animals", "/probes", "/health",
    "/cautions",
)  # fmt: skip


def resident(pid: int) -> str:
    """Return what is resident now and was at most, in MB."""
    status = Path(f"/proc/{pid}/status").read_text()
    now, most = (
        int(found) / 1000 for found in (re.findall(rf"{name}:\s+(\d+)", status)[0] for name in ("VmRSS", "VmHWM"))
    )
    return f"{now:.1f} MB (at most {most:.1f})"


def main() -> None:
    """Measure and print."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    with tempfile.TemporaryDirectory() as name:
        file, log = Path(name) / "rack.toml", Path(name) / "log"
        file.write_text(rack_text(Path(name)))
        with log.open("w") as sink:
            command = [sys.executable, "-m", "dewkeeper", "run", "--config", str(file)]
            process = subprocess.Popen(command, stderr=sink)
        time.sleep(seconds)
        print("alone:        ", resident(process.pid))
        said = log.read_text()
        base = re.findall(r"the page is at (http://[^/]+)/", said)[0]
        code = re.findall(r"good once: (\S+)", said)[0]
        with requests.Session() as keeper:
            keeper.trust_env = False
            form = {"code": code, "name": "Ina", "password": "four plain words here"}
            keeper.post(base + "/first", data=form, timeout=60).raise_for_status()
            for path in SCREENS * 3:
                keeper.get(base + path, timeout=60).raise_for_status()
        print("after visits: ", resident(process.pid))
        process.send_signal(signal.SIGTERM)
        process.wait(30)


if __name__ == "__main__":
    main()
