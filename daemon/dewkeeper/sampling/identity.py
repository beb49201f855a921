"""Which sensor hangs where: serial numbers recorded per position, and what to ask when one is not where it was.

A probe's name is a place; its sensor is known by its serial number. A sensor that turns up elsewhere would continue
the wrong enclosure's history, so it is never accepted silently: it becomes a question, which every reading of the
position carries until the keeper answers it or the sensors are back where they were.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal
from urllib.parse import quote

from dewkeeper.judge.types import OTHER_SENSOR

What = Literal["same", "new", "moved", "swapped", "replaced", "unexpected", "retired"]

_WORDS: dict[What, str] = {
    "same": "the sensor of {probe} is the one recorded",
    "new": "{probe} has sensor {serial}, recorded from now on",
    "moved": (
        "{probe} now has the sensor that was at {other}. Were they exchanged? Put them back, "
        "or accept it: `dewkeeper probes replace {probe}`"
    ),
    "swapped": (
        "{probe} and {other} have exchanged sensors: each now reads the other's enclosure. Put them back, "
        "or accept both: `dewkeeper probes replace {probe}` and `dewkeeper probes replace {other}`"
    ),
    "replaced": (
        "{probe} has another sensor ({serial}) than recorded ({before}). Did you replace it? "
        "Then accept it: `dewkeeper probes replace {probe}`"
    ),
    "retired": "retired: nothing is believed of {probe} until a sensor is accepted: `dewkeeper probes replace {probe}`",
    "unexpected": (
        "{probe} has sensor {serial}, the configuration says {before}. Correct the wiring, "
        "or accept it: `dewkeeper probes replace {probe}`"
    ),
}


@dataclass(frozen=True, slots=True)
class IdentityFinding:
    """What one opening told. `before` is the recorded (or configured) serial, `other` the position it belongs to."""

    what: What
    probe: str
    serial: int | None
    before: int | None = None
    other: str | None = None

    @property
    def is_question(self) -> bool:
        """Whether the keeper must look."""
        return self.what not in ("same", "new", "retired")

    def __str__(self) -> str:
        before = "none" if self.before is None else str(self.before)
        return _WORDS[self.what].format(probe=self.probe, serial=self.serial, before=before, other=self.other)


class Identities:
    """Serial numbers by position. Safe to use from any thread.

    recorded: probe -> serial as stored. configured: probe -> serial of the configuration, where it gives one.
    retired: probes of which the keeper wants nothing believed. superseded: the serial in the configuration at the time
    when the keeper accepted another one. Which sensor is where is what happens, so what was accepted holds; it holds
    until the configuration names yet another one.
    """

    def __init__(
        self,
        recorded: Mapping[str, int],
        configured: Mapping[str, int] | None = None,
        retired: Collection[str] = (),
        superseded: Mapping[str, int] | None = None,
    ) -> None:
        self._superseded = dict(superseded or {})
        self._retired = set(retired)
        self._recorded = dict(recorded)
        self._configured = dict(configured or {})
        self._found: dict[str, int] = {}
        self._lock = threading.Lock()

    def observe(self, probe: str, serial: int) -> IdentityFinding:
        """Compare a sensor just heard with the record. A `new` one is recorded; store it."""
        with self._lock:
            self._found[probe] = serial
            finding = self._compare(probe)
            if finding.what == "new":
                self._recorded[probe] = serial
            return finding

    def accept(self, probe: str, serial: int | None = None) -> int:
        """Record `serial`, or what was last heard, at the position: the keeper says it belongs there. Return it.

        Raises KeyError for a probe that was not heard yet.
        """
        with self._lock:
            if serial is not None:
                self._found[probe] = serial
            self._recorded[probe] = self._found[probe]
            self._retired.discard(probe)
            if probe in self._configured:
                self._superseded[probe] = self._configured[probe]
            return self._recorded[probe]

    def configured(self, probe: str) -> int | None:
        """Return the serial number in the configuration, None where it names none."""
        return self._configured.get(probe)

    def recorded(self, probe: str) -> int | None:
        """Return the serial number recorded for a position, None where there is none."""
        with self._lock:
            return self._recorded.get(probe)

    def retire(self, probe: str) -> None:
        """Forget which sensor the position had; the next one there is not recorded before it is accepted."""
        with self._lock:
            self._recorded.pop(probe, None)
            self._retired.add(probe)

    def findings(self) -> tuple[IdentityFinding, ...]:
        """Return where every sensor heard so far stands, questions included."""
        with self._lock:
            return tuple(self._compare(probe) for probe in sorted(self._found.keys() | self._retired))

    def note(self, probe: str) -> str | None:
        """Return what the readings of a position must carry while the keeper is asked about its sensor, else None."""
        with self._lock:
            if probe not in self._found:
                return None
            finding = self._compare(probe)
        if not finding.is_question:
            return None
        return OTHER_SENSOR if finding.other is None else f"{OTHER_SENSOR}:{quote(finding.other, safe='')}"

    def _compare(self, probe: str) -> IdentityFinding:
        if probe in self._retired:
            return IdentityFinding("retired", probe, self._found.get(probe))
        serial = self._found[probe]
        # A serial number that the keeper overruled when another sensor was accepted counts no more.
        named = {p: s for p, s in self._configured.items() if self._superseded.get(p) != s}
        wanted = named.get(probe)
        # Where the file names a sensor it goes before what was recorded.
        belongs = {**self._recorded, **named}
        other = next((p for p, s in belongs.items() if s == serial and p != probe), None)
        if wanted is not None and wanted != serial:
            return IdentityFinding("unexpected", probe, serial, wanted, other)
        before = self._recorded.get(probe)
        if before == serial or wanted == serial:
            return IdentityFinding("same", probe, serial, before)
        if other is None:
            return IdentityFinding("new" if before is None else "replaced", probe, serial, before)
        exchanged = before is not None and self._found.get(other) == before
        return IdentityFinding("swapped" if exchanged else "moved", probe, serial, before, other)
