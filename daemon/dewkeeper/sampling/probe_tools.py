"""What `dewkeeper probes` asks of the running daemon: which sensors it knows, and to accept or retire one.

Reading itself needs no daemon: the command line opens the buses too, and the lock on each adapter keeps the two
apart for the 20 ms that a reading takes.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Collection, Mapping
from typing import Any

from dewkeeper.errors import CommandRefused
from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import Calibration, Command
from dewkeeper.sampling.identity import Identities

NOTE = "serial:"
"""Prefix of the stored notes that keep the serial numbers: `serial:` and the probe's name."""

RETIRED = "retired"
"""In place of a serial number: the probe of that position was retired."""

SUPERSEDED = "superseded serial:"
"""Prefix of the notes that keep which serial of the configuration an accepted sensor stands in place of."""

PLACEMENT = "placement:"


def numbers(notes: Mapping[str, str], prefix: str) -> dict[str, int]:
    """Return name -> number of the stored notes whose names begin with `prefix`; what is not a number is left out."""
    return {
        name.removeprefix(prefix): int(value)
        for name, value in notes.items()
        if name.startswith(prefix) and value.isdecimal()
    }


class ProbeTools:
    """Handlers for the control socket.

    store_note: stores a small named fact. submit: hands a command to the judge's stream and returns why it was not
    stored, or an empty string. now: integer UTC seconds. placements: where the keeper said that each probe lies.
    calibrations: those there are; that of a sensor ends when another one takes its place.
    """

    def __init__(
        self,
        probes: Collection[str],
        identities: Identities,
        store_note: Callable[[str, str], None],
        submit: Callable[[Command | Calibration], str],
        now: Callable[[], int],
        placements: Mapping[str, str] | None = None,
        calibrations: Callable[[], Calibrations] = Calibrations,
    ) -> None:
        self._calibrations = calibrations
        self._placements = dict(placements or {})
        self._probes = frozenset(probes)
        self._identities = identities
        self._store_note = store_note
        self._submit = submit
        self._now = now

    def handlers(self) -> dict[str, Callable[[dict[str, Any]], Mapping[str, Any]]]:
        """Return verb -> handler."""
        return {
            "probe_serials": self.serials,
            "probe_accept": self.accept,
            "probe_retire": self.retire,
        }

    def serials(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Return what is known of every sensor heard so far."""
        del request
        return {
            "probes": [
                {
                    "probe": f.probe,
                    "serial": f.serial,
                    "what": f.what,
                    "says": str(f),
                    "placement": self._placements.get(f.probe, ""),
                }
                for f in self._identities.findings()
            ]
        }

    def accept(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Record the sensor now at `probe`, or the one with `serial`, as the one that belongs there.

        `placement` is kept with it.
        """
        probe = self._known(request)
        before = self._identities.recorded(probe)
        try:
            heard = request.get("serial")
            # By its type: `true` of JSON is an int to isinstance.
            serial = self._identities.accept(probe, heard if type(heard) is int else None)
        except KeyError:
            raise CommandRefused(f"the sensor of {probe} was not heard yet; is it plugged in?") from None
        self._store_note(f"{NOTE}{probe}", str(serial))
        configured = self._identities.configured(probe)
        if configured is not None:
            self._store_note(f"{SUPERSEDED}{probe}", str(configured))
        why = f"the sensor with serial number {serial} belongs here"
        not_stored = self._submit(Command(str(uuid.uuid4()), self._now(), "accept", _who(request), why, probe=probe))
        # The same sensor, accepted once more, keeps its calibration.
        ended = serial != before and bool(self._calibrations().of(probe))
        if ended:
            # From the next second on: what was read in this one was judged as it was read.
            self._submit(Calibration(self._now() + 1, probe, who=_who(request), note="another sensor: read as it is"))
        if request.get("placement"):
            self._placements[probe] = str(request["placement"])[:200]
            self._store_note(f"{PLACEMENT}{probe}", self._placements[probe])
        return {
            "done": True, "probe": probe, "serial": serial, "not_recorded": not_stored, "calibration_ended": ended,
        }  # fmt: skip

    def retire(self, request: dict[str, Any]) -> Mapping[str, Any]:
        """Believe nothing of `probe` until a sensor is accepted for it again, and forget which one it had."""
        probe = self._known(request)
        why = str(request.get("why", "") or "retired")
        not_stored = self._submit(Command(str(uuid.uuid4()), self._now(), "retire", _who(request), why, probe=probe))
        self._identities.retire(probe)
        self._store_note(f"{NOTE}{probe}", RETIRED)
        return {"done": True, "probe": probe, "not_recorded": not_stored}

    def _known(self, request: dict[str, Any]) -> str:
        probe = str(request.get("probe", ""))
        if probe not in self._probes:
            raise CommandRefused(f"no probe {probe!r}; there are: {', '.join(sorted(self._probes))}")
        return probe


def _who(request: Mapping[str, Any]) -> str:
    return str(request.get("who", ""))[:100]
