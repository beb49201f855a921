"""`missing`: no reading. One fault for a whole part of the wiring where all its probes are silent."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from dewkeeper.judge.checks.crc import CrcMemory
from dewkeeper.judge.checks.flat_line import FlatLineMemory
from dewkeeper.judge.contract import Check, Finding, InFault
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.rationale import UNREAD, fault
from dewkeeper.judge.types import Figures, Kind, SystemReport, own_part
from dewkeeper.judge.view import ProbeView, View

MISSING_SECONDS: Final = 570
"""Told within ten minutes (goal). Eight polls lost in a row by chance at 35 % loss come once in two weeks."""
_MISSING_POLLS: Final = 3.5
"""Where polls are rare; one more than the gap that is no break (`state`: three)."""
_BRANCH: Final = "branch:"


def missing_after(poll_seconds: int) -> int:
    """Return how long a probe may be silent, seconds."""
    return max(MISSING_SECONDS, int(poll_seconds * _MISSING_POLLS))


def _heard(probe: ProbeView) -> bool:
    return probe.memory(FlatLineMemory).heard


def silent_for(view: View) -> int | None:
    """Return for how many more seconds a probe may be silent; None when it was silent for too long."""
    left = view.probe.air.live + _patience(view) - view.now
    return left if left > 0 else None


def silent(view: View) -> Iterator[Finding]:
    """Find the fault of a probe that is silent for too long, of all the probes of a part of the wiring where all are."""
    if "missing" in view.probe.faults or "crc" in view.probe.faults:
        return
    together = _silent_together(view)
    if together is None:
        yield _fault(view, "missing", view.probe.air.live)
    else:
        yield from _part_silent(view, *together)


def garbled(view: View) -> InFault:
    """Return the fault of a probe that was never heard and answers garbage, where the service says why.

    The keeper has just wired it and stands beside it, so it is told at once. One that was heard has `missing_after` to come
    back, for a plug moved by hand is no fault.
    """
    return _fault(view, "crc", view.probe.memory(CrcMemory).since)


def never_heard(probe: ProbeView) -> bool:
    """Return whether a probe in use never gave a value."""
    return not _heard(probe) and probe.retired == NEVER


def next_cause(place: str, report: SystemReport) -> str:
    """Return what is said of a fault that stands in a place, now that the keeper mended one thing and this is the next."""
    part = place.removeprefix(_BRANCH)
    return report.text if part == place else _silent_words(part, report)


def _cause(view: View) -> SystemReport | None:
    return next((report for part in view.probe.parts if (report := view.report(part)) is not None), None)


def _patience(view: View) -> int:
    """Return how long this probe may be silent, seconds: none when it was never heard and it is known why."""
    return 0 if not _heard(view.probe) and _cause(view) is not None else missing_after(view.poll)


def _fault(view: View, kind: Kind, since: int) -> InFault:
    """Return the fault of this probe alone, with its cause where the service named it."""
    report = _cause(view)
    if report is None:
        return InFault(kind, since)
    own = report.part == own_part(view.probe.name)
    cause = report.text if own else f"{report.part}: {report.text}"
    return InFault(
        kind, since, {"action": report.action} if report.action else {}, cause=cause, response=report.response
    )


def _silent_together(view: View) -> tuple[str, list[ProbeView]] | None:
    """Return the widest part of the wiring of which every probe is silent; None when it is one probe."""
    if view.report(own_part(view.probe.name)) is not None:
        return None
    for name in view.probe.wiring:
        members = [w for w in view.probes if name in w.wiring and w.retired == NEVER]
        if len(members) > 1 and all(_silent_too(view.of(w)) for w in members):
            return name, members
    return None


def _silent_too(view: View) -> bool:
    """Return whether a probe is silent, by itself or as good as: polled one after another, they are so within two polls."""
    probe = view.probe
    return (
        view.now - probe.air.live >= _patience(view) - 2 * view.poll
        and "crc" not in probe.faults
        and (_heard(probe) or not probe.memory(CrcMemory).score)
        and view.report(own_part(probe.name)) is None
    )


def _silent_words(part: str, report: SystemReport | None) -> str:
    return f"every probe of {part} is silent" + (f": {report.text}" if report is not None and report.text else "")


def _part_silent(view: View, part: str, members: list[ProbeView]) -> Iterator[Finding]:
    """Every probe of a part of the wiring fell silent: one fault, named for the part."""
    report = view.report(part)
    known = report.response if report is not None else ""
    names = ", ".join(sorted(w.name for w in members))
    detail: Figures = {
        "branch": part, "members": names, "count": len(members), "text": f"silent: {names}",
    }  # fmt: skip
    if report is not None and report.action:
        detail["action"] = report.action
    began = min(w.air.live for w in members)
    for member in members:
        if "missing" not in member.faults:
            yield InFault(
                "missing", member.air.live, detail, cause=_silent_words(part, report),
                response=known or "check the cable, plug and supply they share", probe=member, place=f"{_BRANCH}{part}",
                began=began,
            )  # fmt: skip


CHECK: Final = Check(
    "missing",
    {
        "missing": fault(
            "no reading",
            "cable, plug or probe dead",
            "check the probe's cable and plug, then the probe",
            "failure",
            consequence=UNREAD,
        )
    },
)
