"""A day of polls by `dewkeeper run`, unmodified, on the emulated kernel's /dev/i2c-1: is every stored reading right?

    python -m tests.bench.bus.day [user|kernel] [POLLS]

128 probes on eight multiplexers, driven by the daemon (`user`) or by the kernel (`kernel`: 64 buses). Every conversion
is numbered: the temperature word counts the probe's conversions, the humidity word says whose it is, and each chip keeps
what it gave. Afterwards the database is compared with that, row by row. Then one branch is dead for some polls, then
four. Seconds are the emulated wire's own, not the machine's; between polls the daemon's clocks are sped up.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path

from tests.kernel.chips import Rack
from tests.kernel.emulated import EmulatedKernel
from tests.wire.wire_faults import HeldLow

from dewkeeper.judge.types import Reading
from dewkeeper.store import History
from dewkeeper_demo.wire_chips import Air
from dewkeeper_drivers.contract import SHT3X

PROBES = 128
POLL_SECONDS = 60
IDLE_SPEED = 120
DEAD = ((0x74, 5), (0x70, 0), (0x72, 7), (0x77, 3))
FIRST_WORD, WORDS_UP, FIRST_IDENTITY, IDENTITIES_APART = 26_000, 4_000, 39_000, 64  # 24 to 35 °C, 60 to 72 %RH
PATIENCE_SECONDS = 120.0

Words = tuple[int, int]


class Day:
    """One life of the daemon on such a rack. Leaves nothing behind."""

    def __init__(self, kernel: EmulatedKernel, folder: Path, route: str) -> None:
        self.given: list[list[Words]] = [[] for _ in range(PROBES)]
        self.began: list[float] = []
        """The wire's seconds at the first probe's conversion in each poll."""
        self.rack = Rack(kernel, PROBES, route, air=self._air)
        self.state = folder / "state"
        config = folder / "dewkeeper.toml"
        config.write_text(
            f'site = {{ name = "Bench", poll_seconds = {POLL_SECONDS} }}\n'
            f'storage = {{ folder = "{self.state}", ballast_mb = 0 }}\nweb = {{ enabled = false }}\n'
            'channel = [{ kind = "webhook", name = "phone", url = "http://127.0.0.1:9/" }]\n'
            'person = [{ name = "Ina", channels = ["phone"] }]\n' + self.rack.configuration()
        )
        self.log = folder / "log.txt"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "dewkeeper", "run", "--config", str(config)],
                env={**os.environ, **kernel.environment(IDLE_SPEED)}, stdout=log, stderr=log,
            )  # fmt: skip

    def polls(self, count: int, probe: int = 0) -> None:
        """Wait for so many more polls. Raises TimeoutError when the daemon does not make them."""
        wanted = len(self.given[probe]) + count
        while len(self.given[probe]) < wanted:
            before, patience = len(self.given[probe]), time.monotonic() + PATIENCE_SECONDS
            while len(self.given[probe]) == before:
                if time.monotonic() > patience or self.process.poll() is not None:
                    raise TimeoutError(f"{before} polls, then none:\n{self.log.read_text()[-2000:]}")
                time.sleep(0.02)

    def settle(self) -> None:
        """Wait until the poll under way is over: every live probe was read as often, and nothing is said on the bus."""
        before = -1
        while before != self.rack.wire.transfers or len({len(self.given[n]) for n in self._live()}) > 1:
            before = self.rack.wire.transfers
            time.sleep(0.25)

    def _live(self) -> list[int]:
        """Return the probes of which none hangs on a branch that is ever dead."""
        return [n for n in range(PROBES) if (0x70 + n // 16, n // 2 % 8) not in DEAD]

    def extra_conversions(self, stored: dict[int, list[Words | None]]) -> int:
        """Return how many conversions of live probes, before their last stored one, no stored value came from."""
        extra = 0
        for number in self._live():
            values = [words for words in stored[number] if words is not None]
            extra += self.given[number].index(values[-1]) + 1 - len(values)
        return extra

    def hold(self, branches: Sequence[tuple[int, int]]) -> None:
        """Have exactly these branches dead from the next poll on."""
        self.settle()
        self.rack.wire.faults = [HeldLow(branch=branch) for branch in branches]

    def stop(self) -> None:
        """End the daemon as systemd does."""
        self.process.send_signal(signal.SIGTERM)
        if self.process.wait(30) != 0:
            raise RuntimeError(self.log.read_text()[-2000:])

    def stored(self) -> dict[int, list[Words | None]]:
        """Return what the database holds, by probe and in order; None is a poll without a value."""
        rows: dict[int, list[Words | None]] = {number: [] for number in range(PROBES)}
        with History.open(self.state) as history:
            for item in history.stream(0):
                if isinstance(item, Reading):
                    words = item.temperature_word, item.humidity_word
                    whole = None if words[0] is None or words[1] is None else (words[0], words[1])
                    rows[int(item.probe[1:])].append(whole)
        return rows

    def _air(self, number: int) -> Air:
        def sense() -> tuple[float, float]:
            if number == 0:
                self.began.append(self.rack.wire.now())
            given = self.given[number]
            given.append((FIRST_WORD + len(given) % WORDS_UP, FIRST_IDENTITY + IDENTITIES_APART * number))
            return SHT3X.decode(*given[-1])

        return sense


def wrong_rows(stored: dict[int, list[Words | None]], given: Sequence[list[Words]]) -> int:
    """Return how many stored values are not what the probe's own chip gave, in order and each once."""
    wrong = 0
    for number, rows in stored.items():
        left = iter(given[number])
        wrong += sum(words is not None and words not in left for words in rows)  # `in` moves on: each once, in order
    return wrong


def measure(
    route: str, polls: int, dead_polls: int = 12, say: Callable[[str], None] = lambda _: None
) -> dict[str, float]:
    """Return what a day came to; seconds are the wire's."""
    with EmulatedKernel() as kernel, tempfile.TemporaryDirectory(prefix="bus-day-") as folder:
        day = Day(kernel, Path(folder), route)
        try:
            day.polls(1)
            began = time.monotonic()
            for done in range(1, polls):
                day.polls(1)
                if done % 60 == 0:
                    say(f"{done} polls, {(time.monotonic() - began) / done:.2f} s each by the wall clock")
            day.settle()
            healthy = len(day.began)
            day.hold(DEAD[:1])
            day.polls(dead_polls)
            day.settle()
            one_dead = len(day.began)
            day.hold(DEAD)
            day.polls(dead_polls, probe=20)  # the first probe hangs on one of them
            day.settle()
            four_dead_ends = day.rack.wire.now()
        finally:
            if day.process.poll() is None:
                day.stop()
        stored = day.stored()
    lengths = [later - earlier for earlier, later in pairwise(day.began)]
    usual = max(lengths[1 : healthy - 1])
    return {
        "polls": healthy,
        "readings_stored": sum(words is not None for rows in stored.values() for words in rows),
        "wrong": wrong_rows(stored, day.given),
        "healthy_lost": sum(words is None for rows in stored.values() for words in rows[:healthy]),
        "extra_conversions": day.extra_conversions(stored),
        "first_poll_s": round(day.began[1], 3),
        "poll_s": round(usual, 3),
        "dead_branch_adds_s": round(max(lengths[healthy:one_dead]) - usual, 3),
        "four_dead_add_s": round((four_dead_ends - day.began[one_dead - 1] - usual) / dead_polls - usual, 3),
    }


if __name__ == "__main__":
    chosen = sys.argv[1] if len(sys.argv) > 1 else "user"
    many = int(sys.argv[2]) if len(sys.argv) > 2 else 1440
    print(json.dumps(measure(chosen, many, say=lambda text: print(text, file=sys.stderr, flush=True))))
