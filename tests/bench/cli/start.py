"""What commands cost to start: processor time against a bare Python (`python -c pass`) in the same run.

Run from the top: `PYTHONPATH=. python tests/bench/cli/start.py [ROUNDS]`. Two days of twelve probes are stored first. Each command
runs ROUNDS times (default 5), by turns with the others, and the least counts: what else runs on the machine only adds. What
reads is measured twice: for itself, and beside a running daemon that answers it; what the answer costs the daemon is given
with it, the mean of all rounds.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from tests.store.conftest import Shelf

from dewkeeper.service.settings import judge_settings
from dewkeeper.store.records import Batch
from dewkeeper_config.loading import load

PROBES = 12
BARE = "python -c pass"
OURS = [sys.executable, "-m", "dewkeeper"]
READING = (
    ["now"],
    ["morning"],
    ["history", "B1"],
    ["alarms"],
    ["journal", "list"],
    ["config", "check"],
    ["config", "show"],
)
HELP = (["--help"], ["now", "--help"], ["journal", "--help"], ["probes", "--help"], ["replay", "--help"])
HEAD = """
storage = {{ folder = "{folder}/state", ballast_mb = 0 }}
web = {{ enabled = false }}
[[rack]]
name = "R"
[[channel]]
kind = "webhook"
name = "w"
url = "http://127.0.0.1:1/"
[[person]]
name = "M"
channels = ["w"]
"""


def _fill(folder: Path) -> Path:
    text = HEAD.format(folder=folder)
    for n in range(1, PROBES + 1):
        text += f'[[enclosure]]\nname = "B{n}"\nrack = "R"\n[[probe]]\nname = "b{n}"\nenclosure = "B{n}"\ndriver = "simulated"\n'
    file = folder / "rack.toml"
    file.write_text(text, encoding="utf-8")
    shelf, now = Shelf(folder / "state"), int(time.time())
    shelf.store.commit(Batch(items=(judge_settings(load(file), now - 3 * 86400),)))
    for start in range(now - 2 * 86400, now, 86400):
        shelf.put(
            [
                (start + 60 * i, f"b{n}", 26000 + i % 500, 41000 + i % 300, True)
                for i in range(1440)
                for n in range(1, PROBES + 1)
            ]
        )
    shelf.store.close()
    return file


def _seconds(command: list[str]) -> float:
    # With bytecode, as it is installed; whoever measures may have forbidden Python to write any.
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=env, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _least(commands: dict[str, list[str]], rounds: int) -> dict[str, float]:
    least = dict.fromkeys(commands, float("inf"))
    for _ in range(rounds):
        for words, command in commands.items():
            least[words] = min(least[words], _seconds(command))
    return least


def _answered(commands: dict[str, list[str]], config: list[str], rounds: int) -> dict[str, tuple[float, float]]:
    """Return what commands cost beside a running daemon, and what they cost the daemon: seconds of processor time."""
    daemon = subprocess.Popen([*OURS, "run", *config], stderr=subprocess.DEVNULL)
    try:
        while not list(Path(config[1]).parent.glob("state/control.sock")):
            time.sleep(0.2)
        found = {}
        for words, command in commands.items():
            _seconds(command)  # the first one has the daemon import what it needs
            before = _spent(daemon.pid)
            least = min(_seconds(command) for _ in range(rounds))
            found[words] = least, (_spent(daemon.pid) - before) / rounds
        return found
    finally:
        daemon.terminate()
        daemon.wait(30)


def _spent(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(
    helps: Sequence[list[str]], reading: Sequence[list[str]], rounds: int
) -> tuple[dict[str, float], dict[str, tuple[float, float]]]:
    """Return seconds of every command by itself and of a bare Python, and what those that read cost beside a daemon, and cost it."""
    with tempfile.TemporaryDirectory() as name:
        config = ["--config", str(_fill(Path(name)))]
        asked = {" ".join(words): [*OURS, *words] for words in helps}
        read = {" ".join(words): [*OURS, *words, *config] for words in reading}
        least = _least({BARE: [sys.executable, "-c", "pass"], **asked, **read}, rounds)
        return least, _answered(read, config, rounds)


def main() -> None:
    """Print milliseconds and ratios."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 5
    least, answered = measure(HELP, READING, rounds)
    bare = least[BARE]
    for words, seconds in least.items():
        print(f"{words:20} {seconds * 1000:6.0f} ms {seconds / bare:6.1f} times a bare Python")
    for words, (seconds, daemon) in answered.items():
        print(
            f"{words:20} {seconds * 1000:6.0f} ms {seconds / bare:6.1f} times, answered; the daemon {daemon * 1000:.0f} ms"
        )


if __name__ == "__main__":
    main()
