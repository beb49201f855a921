"""How it is now: one line per probe, judged and informing alike."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from dewkeeper.judge.types import FAIL, MISSING, SUSPECT
from dewkeeper.judge.words import FAULTS, KINDS
from dewkeeper.report.contract import Newest, Past
from dewkeeper.report.model import Standing, to_plain
from dewkeeper.report.order import NOTHING, QUIET_STATES, Need, alarm_order
from dewkeeper.report.standing import standing_now
from dewkeeper.report.watching import is_stale, just_read, silent_since, stale_after, unwatched
from dewkeeper_config.models import Config, ProbeConfig

FLAG_WORDS = {SUSPECT: "suspect", FAIL: "not believed", MISSING: "no reading"}
"""What a reading that does not count is called."""


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """The newest reading of one probe. `trust`: "measured", "stale", "suspect", "not believed", "no reading" …

    out_of_service: its enclosure is; what stands on it is told to nobody.

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
    out_of_service: bool = False


@dataclass(frozen=True, slots=True)
class NowGlance:
    """All probes at one moment, those with the worst alarms first, then in the order of the configuration.

    unwatched: enclosures in service that nobody sees now. nothing_watched: none of them is seen, or none is in service.
    general: alarms that stand on no configured enclosure or probe: a bus, a room, dewkeeper itself.
    """

    made_at: int
    probes: tuple[ProbeNow, ...]
    silent_since: int | None = None
    general: tuple[Standing, ...] = ()
    unwatched: tuple[str, ...] = ()
    nothing_watched: bool = False

    @property
    def to_act_on(self) -> tuple[Standing, ...]:
        """The alarms of which a table row is not enough, worst first: urgent ones, and why nothing is read."""
        about = {a.alarm: a for row in self.probes for a in row.alarms if a.priority == "urgent" or a.kind in FAULTS}
        about |= {a.alarm: a for a in self.general}
        return tuple(sorted(about.values(), key=lambda a: alarm_order(a, self.made_at)))

    def to_json(self) -> dict[str, Any]:
        """Return the glance as JSON values; times become ISO 8601 text in UTC."""
        plain: dict[str, Any] = to_plain(self)
        return plain


def now(history: Past, config: Config, at: int) -> NowGlance:
    """Return the newest reading of every configured probe as of `at` (UTC seconds). Raises StoreError."""
    latest = history.latest()
    alarms = standing_now(history, config, at, latest)
    fresh = stale_after(config)
    resting = {out.enclosure for out in history.in_force().resting(e.name for e in config.enclosure)}
    rows = [_probe(probe, latest.get(probe.name), alarms, at, fresh, resting) for probe in config.probe]
    told = {a.alarm for row in rows for a in row.alarms}
    seen = just_read(history, latest, at, fresh)
    in_service = [e.name for e in config.enclosure if e.name not in resting]
    unseen = tuple(
        name
        for name in in_service
        if unwatched(
            [p.name for p in config.probe if p.enclosure == name and p.role == "substrate"],
            [a for a in alarms if a.enclosure == name], latest, 0.0, at, fresh, just_read=name in seen,
        ).now
    )  # fmt: skip
    return NowGlance(
        made_at=at,
        probes=tuple(sorted(rows, key=lambda row: _order(row, at))),
        silent_since=silent_since(latest.values(), at, fresh),
        general=tuple(a for a in alarms if a.alarm not in told),
        unwatched=unseen,
        nothing_watched=len(unseen) == len(in_service),
    )


def _order(row: ProbeNow, at: int) -> tuple[bool, tuple[bool, Need], bool]:
    """Return what to sort probes by: their worst alarm, as everywhere; then those that do not read."""
    reads = row.trust == "measured" or row.out_of_service
    asks = [alarm_order(a, at) for a in row.alarms if a.state not in QUIET_STATES]
    return (not asks, min(asks, default=NOTHING), reads)


def _probe(
    probe: ProbeConfig,
    newest: Newest | None,
    alarms: Sequence[Standing],
    at: int,
    fresh: int,
    resting: Collection[str | None],
) -> ProbeNow:
    # A probe beside the judged one is concerned by its own faults only.
    about = (
        a
        for a in alarms
        if a.probe == probe.name
        or (probe.role == "substrate" and a.enclosure is not None and a.enclosure == probe.enclosure)
    )
    return ProbeNow(
        probe=probe.name,
        enclosure=probe.enclosure,
        room=probe.room,
        role=probe.role,
        at=newest.reading.time if newest else None,
        humidity_percent=newest.reading.humidity_percent if newest else None,
        temperature_c=newest.reading.temperature_c if newest else None,
        trust=_trust(newest.quality.flag, is_stale(newest.reading.time, at, fresh)) if newest else "never read",
        tests=tuple(_named(test) for test in newest.quality.tests) if newest else (),
        alarms=tuple(sorted(about, key=lambda a: alarm_order(a, at))),
        out_of_service=probe.enclosure is not None and probe.enclosure in resting,
    )


def _trust(flag: int, stale: bool) -> str:
    if stale:
        return "stale"
    return FLAG_WORDS.get(flag, "measured")


def _named(test: str) -> str:
    return KINDS[test].label if test in FAULTS else test.replace("_", " ")
