"""`brownout`: probes that lost their power and came back: a supply that sags, one probe's or that of a whole part of the wiring.

A sensor says that it has restarted. At the first reading after a start, or after an outage that is told as `missing`, that
is no news: somebody switched it on. Several at once are one supply, not so many sags, so what restarted within two polls is
looked at together.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from dewkeeper.judge.checks.missing import missing_after
from dewkeeper.judge.contract import Check, Finding, InFault
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER, ProbeMemory
from dewkeeper.judge.rationale import fault
from dewkeeper.judge.view import ProbeView, View

TOGETHER_FROM: Final = 3
"""Common practice, no source."""
TOGETHER_POLLS: Final = 2
"""Probes are polled one after another: what happened to all of them at once is seen within two polls."""


@remembered
class BrownoutMemory(ProbeMemory):
    """restarted: when it said so, until it is known whether others did too."""

    restarted: int = NEVER


def note_restart(view: View) -> tuple[InFault, ...]:
    """A probe says that it restarted without being told to: return the fault it is in, or remember it till others may have said so too."""
    if "brownout" in view.probe.faults:
        return (InFault("brownout", view.now, stated=True),)
    live = view.probe.air.live
    if live > view.begun and view.now - live <= missing_after(view.poll):
        view.probe.memory(BrownoutMemory).restarted = view.now
    return ()


def restarts(view: View) -> Iterator[Finding]:
    """Name what restarted within the last two polls: each probe by itself, or the part of the wiring that they share."""
    found = [w for w in view.probes if w.memory(BrownoutMemory).restarted != NEVER]
    times = {w.name: w.memory(BrownoutMemory).restarted for w in found}
    if not found or view.now - min(times.values()) < TOGETHER_POLLS * view.poll:
        return
    for probe in found:
        probe.memory(BrownoutMemory).restarted = NEVER
    part = _shared(found)
    together = len(found) >= TOGETHER_FROM or (len(found) > 1 and len(found) == len(_members(view, part)))
    names = ", ".join(sorted(times))
    part = part or "several buses"
    for probe in found:
        since = times[probe.name]
        if probe.retired != NEVER or "brownout" in probe.faults:
            continue
        if not together:
            yield InFault("brownout", since, stated=True, probe=probe)
            continue
        yield InFault(
            "brownout", since, {"branch": part, "probes": names, "count": len(found), "text": f"restarted: {names}"},
            stated=True, cause=f"{len(found)} probes of {part} lost power at once",
            response="check the supply and the plug they share", probe=probe, place=f"branch:{part}", began=since,
        )  # fmt: skip


def _shared(found: list[ProbeView]) -> str:
    """Return the narrowest part of the wiring that all of them hang on; an empty text when there is none."""
    return next((part for part in reversed(found[0].wiring) if all(part in w.wiring for w in found)), "")


def _members(view: View, part: str) -> list[ProbeView]:
    return [w for w in view.probes if part in w.wiring and w.retired == NEVER]


CHECK: Final = Check(
    "brownout",
    {
        "brownout": fault(
            "probe lost power", "supply dips reset the probe", "check supply and cable length", "maintenance",
            consequence="nothing is read while the power is off; a supply that sags gets worse",
        ),
    },
    BrownoutMemory,
    recovery=lambda _: 3600,  # a sagging supply resets a probe every few minutes for hours, and that is one alarm
)  # fmt: skip
