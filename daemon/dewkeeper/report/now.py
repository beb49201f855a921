"""How it is now: one line per probe, judged and informing alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from dewkeeper.judge.types import FAIL, MISSING, SUSPECT
from dewkeeper.judge.words import FAULTS, KINDS
from dewkeeper.report.history import Past
from dewkeeper.report.model import Standing, to_plain
from dewkeeper.report.morning import STALE_POLLS, silent_since, standing, worst_alarm_first
from dewkeeper_config.models import Config

FLAG_WORDS = {SUSPECT: "suspect", FAIL: "not believed", MISSING: "no reading"}
"""What a reading that does not count is called."""


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """The newest reading of one probe. `trust`: "measured", "stale", "suspect", "not believed", "no reading" …

    alarms: ids of the alarms that stand on its enclosure or on itself. tests: what the judge held against the reading.
    """

    probe: str
    enclosure: str | None
    room: str | None
    role: str
    at: int | None
    humidity_percent: float | None
    temperature_c: float | None
    trust: str
    tests: tuple[str, ...]
    alarms: tuple[Standing, ...]


@dataclass(frozen=True, slots=True)
class NowGlance:
    """All probes at one moment, in the order of the configuration.

    general: alarms that stand on no configured enclosure or probe: a bus, a room, dewkeeper itself.
    """

    made_at: int
    probes: tuple[ProbeNow, ...]
    silent_since: int | None = None
    general: tuple[Standing, ...] = ()

    @property
    def to_act_on(self) -> tuple[Standing, ...]:
        """The alarms of which a table row is not enough, worst first: urgent ones, and why nothing is read."""
        about = {a.alarm: a for row in self.probes for a in row.alarms if a.priority == "urgent" or a.kind in FAULTS}
        about |= {a.alarm: a for a in self.general}
        return tuple(sorted(about.values(), key=worst_alarm_first))

    def to_json(self) -> dict[str, Any]:
        """Return the glance as JSON values; times become ISO 8601 text in UTC."""
        plain: dict[str, Any] = to_plain(self)
        return plain


def now(history: Past, config: Config, at: int) -> NowGlance:
    """Return the newest reading of every configured probe as of `at` (UTC seconds). Raises StoreError."""
    latest, alarms = history.latest(), [standing(a) for a in history.standing() if a.state != "normal"]
    stale_after = STALE_POLLS * config.site.poll_seconds
    rows = []
    for probe in config.probe:
        newest = latest.get(probe.name)
        # A probe beside the judged one is concerned by its own faults only.
        about = tuple(
            a
            for a in alarms
            if a.probe == probe.name
            or (probe.role == "substrate" and a.enclosure is not None and a.enclosure == probe.enclosure)
        )
        rows.append(
            ProbeNow(
                probe=probe.name,
                enclosure=probe.enclosure,
                room=probe.room,
                role=probe.role,
                at=newest.reading.time if newest else None,
                humidity_percent=newest.reading.humidity_percent if newest else None,
                temperature_c=newest.reading.temperature_c if newest else None,
                trust=_trust(newest.quality.flag, at - newest.reading.time > stale_after) if newest else "never read",
                tests=tuple(_named(test) for test in newest.quality.tests) if newest else (),
                alarms=about,
            )
        )
    told = {a.alarm for row in rows for a in row.alarms}
    general = tuple(a for a in alarms if a.alarm not in told)
    return NowGlance(at, tuple(rows), silent_since(latest.values(), at, stale_after), general)


def _trust(flag: int, stale: bool) -> str:
    if stale:
        return "stale"
    return FLAG_WORDS.get(flag, "measured")


def _named(test: str) -> str:
    return KINDS[test].label if test in FAULTS else test.replace("_", " ")
