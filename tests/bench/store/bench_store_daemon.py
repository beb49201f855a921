"""The daemon's own process: resident memory, what the nightly job adds, how often it wakes while nothing happens."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

FORBIDDEN = ("numpy", "matplotlib", "pandas", "rich")


def config(folder: Path, probes: int) -> Path:
    """Write the configuration of a rack of simulated probes without the page; return the file."""
    lines = [
        f'storage = {{ folder = "{folder / "state"}", ballast_mb = 0 }}', "web = { enabled = false }",
        'rack = [{ name = "R" }]', 'channel = [{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }]',
        'person = [{ name = "Ina", channels = ["phone"] }]',
    ]  # fmt: skip
    for n in range(probes):
        lines.append(f'[[enclosure]]\nname = "T{n}"\nrack = "R"\nplace = {n % 90 + 1}\nshelf = {n // 90 + 1}')
        lines.append(f'[[probe]]\nname = "p{n}"\nenclosure = "T{n}"\ndriver = "simulated"')
    file = folder / "rack.toml"
    file.write_text("\n".join(lines))
    return file


def _status(pid: int) -> dict[str, str]:
    text = Path(f"/proc/{pid}/status").read_text()
    return dict(line.split(":", 1) for line in text.splitlines() if ":" in line)


def _wakeups(pid: int) -> int:
    """Return how often all threads together have given the processor up by themselves: each time they woke before."""
    found = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        with contextlib.suppress(OSError):  # a thread that has ended meanwhile
            lines = (task / "status").read_text().splitlines()
            found += sum(int(line.split()[1]) for line in lines if line.startswith("voluntary_ctxt_switches"))
    return found


def daemon(folder: Path, probes: int = 128, settle_seconds: float = 75.0, seconds: float = 120.0) -> dict[str, float]:
    """Run the real daemon at a poll a minute; return resident MB and wakeups a minute after it has settled."""
    folder.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "dewkeeper", "run", "--config", str(config(folder, probes))]
    with (folder / "log.txt").open("wb") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
        try:
            time.sleep(settle_seconds)
            before, began = _wakeups(process.pid), time.monotonic()
            time.sleep(seconds)
            awoke = (_wakeups(process.pid) - before) / (time.monotonic() - began) * 60
            status = _status(process.pid)
            loaded = Path(f"/proc/{process.pid}/maps").read_text()
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(20)
    return {
        "resident_mb": int(status["VmRSS"].split()[0]) / 1024,
        "threads": int(status["Threads"]),
        "wakeups_a_minute": awoke,
        "forbidden": sum(f"/{name}/" in loaded for name in FORBIDDEN),
    }


def nightly(folder: Path) -> dict[str, float]:
    """Return the MB that one night's compaction of 128 probes adds to the peak of the process that does it."""
    code = (
        "import sys, json; from pathlib import Path; from tests.bench.store.bench_store_rack import Rack, cycles, START, DAY\n"
        "rack = Rack(Path(sys.argv[1]), 60)\n"
        "for readings in cycles(0, 5): rack.poll(readings)\n"
        "peak = lambda: int(next(l for l in open('/proc/self/status') if l.startswith('VmHWM')).split()[1])\n"
        "now = lambda: int(next(l for l in open('/proc/self/status') if l.startswith('VmRSS')).split()[1])\n"
        "open('/proc/self/clear_refs', 'w').write('5')\n"
        "before = now(); moved = rack.night(START + 5 * DAY)\n"
        "print(json.dumps({'added_mb': (peak() - before) / 1024, 'moved': moved}))\n"
    )
    root = Path(__file__).resolve().parents[3]
    done = subprocess.run(
        [sys.executable, "-c", code, str(folder)], env={**os.environ, "PYTHONPATH": str(root)}, cwd=root, check=True,
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    found: dict[str, float] = json.loads(done.stdout)
    return found
