"""How fast `dewkeeper replay` judges, and what memory it takes: python tests/bench/replay/replay_speed.py [DAYS [sorted] [unlearned]]

A rack of 40 tubs and its room, one poll a minute, thermostat cycles that graze limits, now and then a failed poll. The
command is run as people run it, start-up included, on a file of DAYS (default 10) and on one eight times as long; Python's
csv reading the same rows in the same minutes is the baseline. `sorted`: the same rows probe by probe, which it must sort.
"""

from __future__ import annotations

import csv
import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from random import Random

TUBS = 40
START = 1_767_225_600  # 2026-01-01


def write_rack(path: Path, folder: Path | None = None) -> None:
    """Write the configuration; folder: where its database lies."""
    lines = ['rack = [{ name = "R" }]']
    if folder is not None:
        lines += [f'storage = {{ folder = "{folder}", ballast_mb = 0 }}']
        lines += ['channel = [{ kind = "webhook", name = "w", url = "http://127.0.0.1:9/" }]']
        lines += ['person = [{ name = "M", channels = ["w"] }]']
    lines += ["[[probe]]", 'name = "air"', 'room = "room"', 'role = "room"', 'driver = "simulated"']
    for tub in range(TUBS):
        lines += ["[[enclosure]]", f'name = "T{tub}"', 'rack = "R"', f"place = {tub + 1}"]
        lines += ["[[probe]]", f'name = "t{tub}"', f'enclosure = "T{tub}"', 'driver = "simulated"']
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_readings(path: Path, days: int) -> int:
    """Write the readings and return how many."""
    dice = Random(20261125)
    with path.open("w", encoding="utf-8") as file:
        file.write("time,probe,temperature_c,humidity_pct\n")
        for minute in range(days * 1440):
            when = datetime.fromtimestamp(START + 60 * minute, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            day = math.cos(math.tau * minute / 1440)
            file.write(f"{when},air,{22 + day + dice.gauss(0, 0.02):.3f},{45 - 3 * day + dice.gauss(0, 0.1):.3f}\n")
            for tub in range(TUBS):
                cycle = math.sin(math.tau * minute / (18 + tub % 7) + tub)
                slow = 6 * math.sin(math.tau * minute / 4000 + tub)
                if dice.random() < 0.002:
                    file.write(f"{when},t{tub},,\n")
                    continue
                t, h = 29 + 0.5 * cycle + dice.gauss(0, 0.02), 64 + slow - 1.5 * cycle + dice.gauss(0, 0.1)
                file.write(f"{when},t{tub},{t:.3f},{h:.3f}\n")
    return days * 1440 * (TUBS + 1)


def measured(arguments: list[str]) -> tuple[float, float, float, int]:
    """Run a command; return wall seconds, processor seconds, greatest resident memory in MB, and lines written."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", _COMMAND, *arguments], check=True, capture_output=True, text=True)
    wall = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return wall, used, int(done.stderr.rsplit("MB ", 1)[1]) / 1024, len(done.stdout.splitlines())


_COMMAND = """
import sys
from dewkeeper.cli import main
code = main(sys.argv[1:])
sys.stdout.flush()
# Not ru_maxrss: that begins with what the process was before it became this one.
kilobytes = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM"))
print("MB", kilobytes, file=sys.stderr)
sys.exit(code)
"""


def bare_csv(readings: Path) -> tuple[float, float]:
    """Read the rows and do nothing; return wall and processor seconds."""
    began, used = time.perf_counter(), time.process_time()
    with readings.open(newline="", encoding="utf-8") as file:
        for _ in csv.reader(file):
            pass
    return time.perf_counter() - began, time.process_time() - used


def main() -> None:
    """Measure and print JSON."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    found: list[dict[str, float]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_rack(folder / "rack.toml")
        for times in (1, 8):
            rows = write_readings(folder / "r.csv", days * times)
            if "sorted" in sys.argv:
                head, *lines = (folder / "r.csv").read_text(encoding="utf-8").splitlines(keepends=True)
                lines.sort(key=lambda line: line.split(",")[1])
                (folder / "r.csv").write_text(head + "".join(lines), encoding="utf-8")
                del lines
            wall, used, memory, events = measured(
                ["replay", "--config", str(folder / "rack.toml"), str(folder / "r.csv")]
                + ["--unlearned"] * ("unlearned" in sys.argv)
            )
            csv_wall, csv_used = bare_csv(folder / "r.csv")
            found.append(
                {
                    "rows": rows, "events": events, "wall_s": round(wall, 2), "cpu_s": round(used, 2),
                    "rows_per_wall_s": round(rows / wall), "rows_per_cpu_s": round(rows / used),
                    "csv_wall_s": round(csv_wall, 2), "times_csv_cpu": round(used / csv_used, 1),
                    "times_csv_wall": round(wall / csv_wall, 1), "max_rss_mb": round(memory, 1),
                }
            )  # fmt: skip
    sys.stdout.write(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
