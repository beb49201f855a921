"""When dewkeeper itself was off, and why: noted by the process that comes after, read back by every report.

Kept as a note of the store: a gap of readings tells how long nothing was measured, and only this tells that nobody polled.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Final, Literal

from dewkeeper.judge.rationale import TYPED
from dewkeeper.store.records import OFF_TIMES

OffWhy = Literal["power", "switched_off", "crashed", "stopped"]
NOTE: Final = OFF_TIMES
"""Name of the note."""
_KEPT: Final = 20
"""So many are kept: those of the last nights, even of a week of trouble."""

OFF_WORDS: Final[Mapping[OffWhy, str]] = {
    "power": "the Pi stopped without being told to, most likely a power cut",
    "switched_off": "the Pi was told to switch off or to restart",
    "crashed": "the Pi ran on, the program ended without being told to",
    "stopped": "the program was told to stop, as an update does",
}
OFF_SHORT: Final[Mapping[str, str]] = {
    "power": "most likely a power cut",
    "switched_off": "the Pi was switched off",
    "crashed": "the program had ended",
    "stopped": "the program was stopped",
}
"""The same where there is little room."""
HEAT_AFTER_CUT: Final = "look at the heat first: some thermostats and heaters have to be switched on by hand, but leave off what is scorched or wet"
OFF_STEPS: Final[Mapping[OffWhy, str]] = {
    "power": f"{HEAT_AFTER_CUT}; then at every animal, water and lids",
    "switched_off": "nothing to do if that was you; otherwise look at its plug and power supply, then at every animal",
    "crashed": f"look at the animals and their heat, then at the log, {TYPED}: `journalctl -u dewkeeper`",
    "stopped": f"nothing to do if that was you, or an update; otherwise look at every tub, ask who did it, and look at the log, {TYPED}: `journalctl -u dewkeeper`",
}


@dataclass(frozen=True, slots=True)
class OffTime:
    """From the last thing stored to the next start, UTC seconds [start, end), and why."""

    start: int
    end: int
    why: OffWhy

    def within(self, start: int, end: int) -> int:
        """Return how many seconds of [start, end) it was."""
        return max(0, min(end, self.end) - max(start, self.start))


def why_off(*, rebooted: bool, disorder: bool) -> OffWhy:
    """Return why it was off. rebooted: the machine was started since; disorder: the process before did not stop in good order."""
    if rebooted:
        return "power" if disorder else "switched_off"
    return "crashed" if disorder else "stopped"


def off_times(notes: Mapping[str, str]) -> tuple[OffTime, ...]:
    """Return what is noted, oldest first; what cannot be read, another version's, is left out."""
    try:
        found = [OffTime(int(one["start"]), int(one["end"]), one["why"]) for one in json.loads(notes.get(NOTE) or "[]")]
    except (ValueError, TypeError, KeyError):
        return ()
    return tuple(one for one in found if one.why in OFF_WORDS)


def noted(before: Iterable[OffTime], one: OffTime) -> str:
    """Return the note with one more."""
    kept: Sequence[OffTime] = [*before, one][-_KEPT:]
    return json.dumps([asdict(off) for off in kept])
