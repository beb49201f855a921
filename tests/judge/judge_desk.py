"""A small rack for the judge's tests, and series of readings in words a test can be read by."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from random import Random

from dewkeeper.judge import Judge
from dewkeeper.judge.types import EnclosureFacts, Event, Exclusion, Item, ProbeFacts, Quality, Reading, Settings
from dewkeeper_config.door import checked
from dewkeeper_config.models import Limits

START = 1_800_000_000


@dataclass
class Desk:
    """A judge with a rack, everything it was fed, and everything it has said."""

    settings: Settings
    judge: Judge = field(default_factory=Judge)
    events: list[Event] = field(default_factory=list)
    quality: list[Quality] = field(default_factory=list)
    exclusions: list[Exclusion] = field(default_factory=list)
    stream: list[Item] = field(default_factory=list)
    now: int = START
    random: Random = field(default_factory=lambda: Random(7))

    def __post_init__(self) -> None:
        self.feed(self.settings)

    def feed(self, *items: Item) -> list[Event]:
        """Feed items and return the events they led to."""
        new: list[Event] = []
        self.stream += items
        for item in items:
            verdict = self.judge.feed(item)
            new += verdict.events
            self.quality += verdict.quality
            self.exclusions += verdict.exclusions
        self.events += new
        return new

    def hold(
        self,
        minutes: int,
        t: float | Callable[[int], float | None] | None = 29.0,
        h: float | Callable[[int], float | None] | None = 65.0,
        probe: str = "p1",
        *,
        noise: float = 0.03,
        others: Sequence[tuple[str, float, float]] = (),
    ) -> list[Event]:
        """Let a probe read these values (numbers, functions of the minute, None: failed poll) once a minute."""
        new: list[Event] = []
        for minute in range(minutes):
            self.now += 60
            for name, other_t, other_h in others:
                new += self.feed(self.reading(name, other_t, other_h, noise))
            value_t = t(minute) if callable(t) else t
            value_h = h(minute) if callable(h) else h
            new += self.feed(self.reading(probe, value_t, value_h, noise))
        return new

    def reading(self, probe: str, t: float | None, h: float | None, noise: float = 0.0) -> Reading:
        """Return a reading now, with the noise of a good sensor."""
        if t is None or h is None:
            return Reading(self.now, probe, None, None, failure="missing")
        return Reading(
            self.now, probe, t + self.random.gauss(0, noise / 2), min(100.0, h + self.random.gauss(0, noise))
        )

    def told(self, kind: str | None = None) -> list[tuple[str, str, str | None]]:
        """Return (kind, event, band) of what a replay would print."""
        return [
            (e.kind, e.event, e.band)
            for e in self.events
            if e.event in ("raised", "escalated", "cleared") and kind in (None, e.kind)
        ]


def rack(
    enclosures: Iterable[str] = ("B1",),
    limits: Limits | None = None,
    poll_seconds: int = 60,
    bus: str = "",
    *,
    room: bool = False,
) -> Settings:
    """Return settings of a rack with a probe p1, p2 ... in each enclosure and, asked for, a room probe `air`."""
    names = list(enclosures)
    probes = {
        f"p{i}": ProbeFacts(f"p{i}", "substrate", name, "room", bus, bus) for i, name in enumerate(names, start=1)
    }
    if room:
        probes["air"] = ProbeFacts("air", "room", None, "room", bus, bus)
    return Settings(
        START, poll_seconds,
        {
            name: EnclosureFacts(name, "R", "room", limits or Limits(), levers=("misting", "bowl_size", "mesh_cover"))
            for name in names
        },
        probes,
        {"opaque": checked(Limits, {"humidity_target": {"low": 65, "high": 80},
                                          "humidity_tolerable": {"low": 60, "high": 88}})},
    )  # fmt: skip
