"""A site that is made up: what its store would give to be sent, of any length and without a file.

A thousand SQLite files would measure this machine's disk, not the server. Everything after the store is real: the passes,
their statements, a connection and a login each, the site's rights.
"""

from __future__ import annotations

import random
import time
import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cache
from itertools import accumulate, repeat
from pathlib import Path
from typing import Any

from tests.bench.collect.bench_collect_pass import used

from dewkeeper.collect.comparing import Comparing
from dewkeeper.collect.connection import ServerLink, parameters
from dewkeeper.collect.place import enter
from dewkeeper.collect.sending import Pass, describe
from dewkeeper.judge.types import PASS, Alarm, Calibration, Event, JournalEntry
from dewkeeper.report.site_line import SiteSaid, TubLine
from dewkeeper.store import codec
from dewkeeper.store.altered import Altered
from dewkeeper.store.onward import Onward, Record, Row
from dewkeeper_config import loading
from dewkeeper_config.models import Config
from dewkeeper_config.reference import examples

POLL_SECONDS = 60
ALARMS = 100
"""Of each site; the newest two stand. Two events an alarm, an entry of the journal and a probe's calibration besides."""
_POLLS = 1441  # more than a batch has, so that each is a slice


@dataclass(frozen=True, slots=True)
class Site:
    """number: from 0. address: with its login. since: UTC seconds of its first poll."""

    number: int
    name: str
    address: str
    probes: int
    since: int


class MadeUp(Onward):
    """Polls each minute from `site.since` to before `until`, and what happened in them."""

    def __init__(self, site: Site, until: int) -> None:
        self._site = site
        self._until = until - POLL_SECONDS
        self._numbers = {f"p{number:03}": number for number in range(site.probes)}

    def reach(self) -> tuple[int, int] | None:
        """Return the first and the last second."""
        return self._site.since, self._until

    def next_from(self, at: int) -> int | None:
        """Return the next poll from a second on."""
        found = max(self._site.since, -(-at // POLL_SECONDS) * POLL_SECONDS)
        return found if found <= self._until else None

    def next_record_from(self, at: int) -> int | None:
        """Return the second of the next item, event or alarm."""
        seconds = [one.time for one in (*_items(self._site), *_events(self._site))]
        return min((second for second in seconds if second >= at), default=None)

    def scales(self) -> dict[str, str]:
        """Return the scale of every probe."""
        return dict.fromkeys(self._numbers, "sht3x")

    def altered(self) -> Sequence[Altered]:
        """Nothing of the past was changed."""
        return []

    def rows(self, probe: str, start: int, end: int) -> list[Row]:
        """Return the polls of a probe: a walk that all probes share, each from another place on."""
        first = self.next_from(start)
        last = min(end, self._until + 1)
        if first is None or first >= last:
            return []
        t, h = _walk()
        at = (first // POLL_SECONDS + 131 * self._numbers[probe] + 17 * self._site.number) % _POLLS
        times = range(first, last, POLL_SECONDS)
        assert len(times) <= _POLLS
        return list(
            zip(times, t[at : at + len(times)], h[at : at + len(times)], repeat(PASS), repeat(""), strict=False)
        )

    def items_beyond(self, low: int, high: int, most: int) -> list[Record]:
        """Return calibrations and journal."""
        return [one for one in _items(self._site) if one.seq > high][:most]

    def items_between(self, start: int, end: int) -> list[Record]:
        """Return those of a span."""
        return [one for one in _items(self._site) if start <= one.time < end]

    def events_beyond(self, high: int, most: int) -> list[Record]:
        """Return what alarms did."""
        return [one for one in _events(self._site) if one.seq > high][:most]

    def events_between(self, start: int, end: int) -> list[Record]:
        """Return those of a span."""
        return [one for one in _events(self._site) if start <= one.time < end]

    def alarms_of(self, names: Sequence[str]) -> list[Record]:
        """Return these alarms."""
        return [_alarm(self._site, int(name.rpartition("-")[2])) for name in names]

    def alarms_between(self, start: int, end: int) -> list[Record]:
        """Return those raised in a span."""
        each = (_alarm(self._site, number) for number in range(ALARMS))
        return [one for one in each if start <= one.time < end]


@cache
def _walk() -> tuple[list[int], list[int]]:
    rng = random.Random(1)
    steps = [(rng.randrange(-9, 10), rng.randrange(-20, 21)) for _ in range(_POLLS)]
    t = list(accumulate((step for step, _ in steps), initial=27000))[1:]
    h = list(accumulate((step for _, step in steps), initial=42000))[1:]
    return t * 2, h * 2


def _raised(site: Site, number: int) -> int:
    return site.since - (ALARMS - number) * 86400  # one a day, of the months before


@cache
def _items(site: Site) -> list[Record]:
    entries: list[Calibration | JournalEntry] = [
        Calibration(site.since - 86400, f"p{number:03}", 0.1, -0.4, 1.01, note="salt") for number in range(site.probes)
    ]
    entries += [
        JournalEntry(f"j{site.number}-{number}", _raised(site, number), f"T{number}", "misted", "both sides")
        for number in range(ALARMS)
    ]
    return [
        Record(seq, one.time, f"{site.number}-{seq}", type(one).__name__, str(codec.pack_item(one)))
        for seq, one in enumerate(entries, 1)
    ]


@cache
def _events(site: Site) -> list[Record]:
    found: list[Record] = []
    for number in range(ALARMS):
        raised = Event(
            f"e{site.number}-{number}", f"a{site.number}-{number}", _raised(site, number), "raised", "dry", f"T{number}",
            f"p{number % site.probes:03}", "target", "medium", "unacknowledged", _raised(site, number), value=54.0, limit=60.0,
        )  # fmt: skip
        cleared = replace(raised, id=f"{raised.id}-over", time=raised.time + 3600, event="cleared", state="normal")
        for event in (raised, cleared)[: 1 if number >= ALARMS - 2 else 2]:
            found.append(Record(len(found) + 1, event.time, event.id, "event", codec.pack(event)))
    return found


def _alarm(site: Site, number: int) -> Record:
    stands = number >= ALARMS - 2
    alarm = Alarm(
        f"a{site.number}-{number}", "dry", f"T{number}", f"p{number % site.probes:03}", "target", "medium",
        "unacknowledged" if stands else "normal", _raised(site, number), _raised(site, number), value=54.0, limit=60.0,
        cause="moisture left", consequence="a bad shed", response="mist, and look at the lid", within_seconds=7200,
    )  # fmt: skip
    return Record(0, alarm.raised, alarm.alarm, alarm.state, codec.pack(alarm))


@cache
def configuration(probes: int) -> Config:
    """Return a rack of so many tubs with a probe each."""
    head, _, rest = examples()["first_probe"].partition("[[enclosure]]")
    text = head + rest[rest.index("[[channel]]") :]
    text += "".join(
        f'[[enclosure]]\nname = "T{number}"\nrack = "left"\n[[probe]]\nname = "p{number:03}"\nenclosure = "T{number}"\n'
        'driver = "simulated"\n'
        for number in range(probes)
    )
    return loading.parse(text.encode(), Path("rack.toml"))


def _said(site: Site) -> dict[str, Any]:
    """Return what a site of two dry tubs says of itself."""
    dry = [
        TubLine(
            f"T{number}", "alarm", "see to it", ": too dry, since 19:10, 17 h", "mist, and look at the lid"
        )
        for number in (ALARMS - 2, ALARMS - 1)
    ]  # fmt: skip
    return asdict(SiteSaid("alarm", "alarm", f"2 to see to, {site.probes} calm", 2, tuple(dry)))


@dataclass(frozen=True, slots=True)
class Done:
    """What one pass sent, and what it took: seconds on the wall, of the sender's processor, of the server's process."""

    readings: int
    wall: float
    sender: float
    server: float


def one_pass(site: Site, until: int, *, compare: bool = False) -> Done:
    """Do one pass as the daemon does: a connection, everything that is new, the description, what is to be compared.

    compare: the hourly look at a day too.
    """
    wall, sender = time.monotonic(), time.process_time()
    with ServerLink(parameters(site.address, None)) as link:
        sending = Pass(link, MadeUp(site, until), enter(link, site.name, uuid.uuid5(uuid.NAMESPACE_OID, site.name)))
        sending.send()
        describe(link, sending.place, configuration(site.probes), "bench", {}, _said(site))
        comparing = Comparing(sending)
        if compare:
            comparing.look_at_a_day()
        comparing.work_off()
        server = used(link.connection.info.backend_pid)
    return Done(sending.sent.readings, time.monotonic() - wall, time.process_time() - sender, server)
