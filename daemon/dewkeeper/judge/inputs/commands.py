"""Commands: what a keeper orders by page or command line."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from dewkeeper.judge.acting import NEVER_SUPPRESSED, suppress
from dewkeeper.judge.inputs.settings import log, realarm_seconds
from dewkeeper.judge.journal_words import LONGEST_SUPPRESSION_SECONDS
from dewkeeper.judge.lifecycle import AlarmInstance
from dewkeeper.judge.pipeline import retire
from dewkeeper.judge.register import Key
from dewkeeper.judge.state import JudgeState
from dewkeeper.judge.types import FAIL, Command, Exclusion
from dewkeeper.judge.words import KINDS, LONGEST_SHELF_SECONDS, REVIEW_SECONDS


def apply_command(state: JudgeState, command: Command, now: int) -> None:
    """Carry out a command; one that names nothing known is ignored."""
    does = _VERBS.get(command.verb)
    if does is not None:
        does(state, command, now)


def _of(state: JudgeState, alarm: str | None) -> list[tuple[Key, AlarmInstance]]:
    return [(key, instance) for key, instance in state.register.instances.items() if instance.id == alarm]


def _end(state: JudgeState, command: Command, now: int, *, usual: int, longest: int | None = None) -> int:
    """Return when what a command begins ends, elapsed seconds."""
    end = now + usual if command.until is None else command.until - state.shift
    return end if longest is None else min(end, now + longest)


def _acknowledge(state: JudgeState, command: Command, now: int) -> None:
    state.register.acknowledge(command.alarm or "", now, command.who, command.why)
    for key, instance in _of(state, command.alarm):
        if instance.state == "acknowledged":
            state.set_timer(now + realarm_seconds(state, instance.enclosure), "realarm", f"{key[0]}\x1f{key[1]}")


def _shelve(state: JudgeState, command: Command, now: int) -> None:
    end = _end(state, command, now, usual=3600, longest=LONGEST_SHELF_SECONDS)
    for key, instance in _of(state, command.alarm):
        if instance.stands and end > now:
            state.register.shelved[key] = end
            state.set_timer(end, "shelved", f"{key[0]}\x1f{key[1]}")
            state.register.withhold([key], now, command.who, command.why)


def _unshelve(state: JudgeState, command: Command, now: int) -> None:
    for key, _ in _of(state, command.alarm):
        if state.register.shelved.pop(key, None) is not None:
            state.register.release([key], now, command.who, command.why)


def _out_of_service(state: JudgeState, command: Command, now: int) -> None:
    register, place = state.register, command.enclosure or ""
    if place not in state.enclosures:
        return
    end = _end(state, command, now, usual=REVIEW_SECONDS)
    end = end if end > now else now + REVIEW_SECONDS
    register.out_of_service[place] = end
    state.set_timer(end, "review", place)
    register.withhold([k for k in register.instances if k[0] == place], now, command.who, command.why)
    detail: dict[str, str | float | int] = {"out of service": "until in_service", "review": register.wall(end)}
    log(state, now, place, command.who, command.why, detail)


def _in_service(state: JudgeState, command: Command, now: int) -> None:
    register, place = state.register, command.enclosure or ""
    if place not in register.out_of_service:
        return
    del register.out_of_service[place]
    register.clear((f"review:{place}", "system"), now)
    register.release([k for k in register.instances if k[0] == place], now, command.who, command.why)
    log(state, now, place, command.who, command.why, {"in service": "again"})


def _suppress(state: JudgeState, command: Command, now: int) -> None:
    place = command.enclosure or ""
    if place not in state.enclosures:
        return
    end = _end(state, command, now, usual=3600, longest=LONGEST_SUPPRESSION_SECONDS)
    keys = [(place, kind) for kind in KINDS if kind not in NEVER_SUPPRESSED and command.kind in (None, kind)]
    for key in keys:
        suppress(state, key, end, now)
    state.register.withhold(keys, now, command.who, command.why)


def _unsuppress(state: JudgeState, command: Command, now: int) -> None:
    place = command.enclosure or ""
    if place not in state.enclosures:
        return
    ended = [k for k in state.register.suppressed if k[0] == place and command.kind in (None, k[1])]
    for key in ended:
        del state.register.suppressed[key]
    state.register.release(ended, now, command.who, command.why)


def _retire(state: JudgeState, command: Command, now: int) -> None:
    probe = state.probes.get(command.probe or "")
    if probe is not None:
        retire(state, probe, now)
        log(state, now, probe.enclosure, command.who, command.why, {"retired": probe.name})


def _accept(state: JudgeState, command: Command, now: int) -> None:
    probe = state.probes.get(command.probe or "")
    if probe is None:
        return
    probe.accept(now)
    log(state, now, probe.enclosure, command.who, command.why, {"sensor accepted for": probe.name})


def _exclude(state: JudgeState, command: Command, now: int) -> None:
    probe = state.probes.get(command.probe or "")
    if probe is None:
        return
    wall = state.register.wall(now)
    state.exclude(Exclusion(probe.name, min(command.time, wall), wall, ("excluded",), FAIL))
    for side in probe.sides:
        for run in (*side.runs(), *([side.read] if side.read is not None else [])):
            run.restart()


_VERBS: Final[Mapping[str, Callable[[JudgeState, Command, int], None]]] = {
    "acknowledge": _acknowledge, "shelve": _shelve, "unshelve": _unshelve, "out_of_service": _out_of_service,
    "in_service": _in_service, "suppress": _suppress, "unsuppress": _unsuppress, "retire": _retire, "accept": _accept,
    "exclude": _exclude,
}  # fmt: skip
"""`away` and `back` are the planner's."""
