"""Commands: what a keeper orders by page or command line. `away` and `back` are the planner's."""

from __future__ import annotations

from dewkeeper.judge.acting import NEVER_SUPPRESSED, acknowledge, exclude, in_service, out_of_service, release, withhold
from dewkeeper.judge.inputs.settings import log
from dewkeeper.judge.journal_words import LONGEST_SUPPRESSION_SECONDS
from dewkeeper.judge.pipeline import retire
from dewkeeper.judge.state import JudgeState, ProbeState
from dewkeeper.judge.types import Command
from dewkeeper.judge.words import KINDS, LONGEST_SHELF_SECONDS, REVIEW_SECONDS


def apply_command(state: JudgeState, command: Command, now: int) -> None:
    """Carry out a command; one that names nothing known is ignored."""
    probe = state.probes.get(command.probe or "")
    if command.alarm is not None:
        _of_alarm(state, command, now)
    if (command.enclosure or "") in state.enclosures:
        _of_enclosure(state, command, now)
    if probe is not None:
        _of_probe(state, command, probe, now)


def _end(state: JudgeState, command: Command, now: int, *, usual: int = 3600, longest: int | None = None) -> int:
    """Return when what a command begins ends, elapsed seconds."""
    end = now + usual if command.until is None else command.until - state.shift
    return end if longest is None else min(end, now + longest)


def _of_alarm(state: JudgeState, command: Command, now: int) -> None:
    who, why = command.who, command.why
    found = {key: instance for key, instance in state.register.instances.items() if instance.id == command.alarm}
    match command.verb:
        case "acknowledge":
            acknowledge(state, command.alarm or "", now, who, why)
        case "shelve":
            end = _end(state, command, now, longest=LONGEST_SHELF_SECONDS)
            withhold(state, "shelved", [key for key, instance in found.items() if instance.stands], end, now, who, why)
        case "unshelve":
            release(state, "shelved", found, now, who, why)


def _of_enclosure(state: JudgeState, command: Command, now: int) -> None:
    register, place, who, why = state.register, command.enclosure or "", command.who, command.why
    match command.verb:
        case "out_of_service":
            end = _end(state, command, now, usual=REVIEW_SECONDS)
            # One that lies behind would be asked about at once.
            end = end if end > now else now + REVIEW_SECONDS
            out_of_service(state, place, end, now, who, why)
            log(state, now, place, who, why, {"out of service": "until in_service", "review": register.wall(end)})
        case "in_service" if place in register.out_of_service:
            in_service(state, place, now, who, why)
            log(state, now, place, who, why, {"in service": "again"})
        case "suppress":
            end = _end(state, command, now, longest=LONGEST_SUPPRESSION_SECONDS)
            kinds = [kind for kind in KINDS if kind not in NEVER_SUPPRESSED and command.kind in (None, kind)]
            withhold(state, "suppressed", [(place, kind) for kind in kinds], end, now, who, why)
        case "unsuppress":
            keys = [k for k in register.suppressed if k[0] == place and command.kind in (None, k[1])]
            release(state, "suppressed", keys, now, who, why)


def _of_probe(state: JudgeState, command: Command, probe: ProbeState, now: int) -> None:
    match command.verb:
        case "retire":
            retire(state, probe, now)
            log(state, now, probe.enclosure, command.who, command.why, {"retired": probe.name})
        case "accept":
            probe.accept(now)
            log(state, now, probe.enclosure, command.who, command.why, {"sensor accepted for": probe.name})
        case "exclude":
            # What ran on those readings runs on nothing now.
            exclude(state, probe, command.time, now, "excluded")
            for side in probe.sides:
                side.restart()
