"""What follows from a finding, and from what people order: the one place that excludes readings, raises, clears and quiets.

A fault, whatever found it, begins and ends here in one way. While it takes something away from its probe's readings
(`beliefs`) the enclosure is unwatched and says so; found late it carries `since`, and what was read from then on is excluded.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from dewkeeper.judge.beliefs import INFERRED, belief
from dewkeeper.judge.beyond import may_wait
from dewkeeper.judge.checks.missing import missing_after
from dewkeeper.judge.contract import (
    Amended,
    Eased,
    Explained,
    FaultOver,
    Finding,
    InFault,
    OtherAir,
    Over,
    Stands,
    TimedAnew,
    Unexplained,
)
from dewkeeper.judge.memory import NEVER
from dewkeeper.judge.register import Key
from dewkeeper.judge.state import JudgeState, ProbeState
from dewkeeper.judge.types import FAIL, SUSPECT, Exclusion, Kind
from dewkeeper.judge.view import ProbeView, View
from dewkeeper.judge.words import LATCHED

NEVER_SUPPRESSED: frozenset[Kind] = frozenset(
    {"hot", "heat_stuck_on", "room_heat", "room_heat_soon", "room_frost", "system"}
)
"""Heat is not argued away, and the room and the service are nobody's misting."""


def act(state: JudgeState, probe: ProbeState | None, findings: Iterable[Finding], now: int) -> None:
    """Follow what was found about a probe; None: about a place that the finding names."""
    register = state.register
    for found in findings:
        match found:
            case Stands():
                _raise(state, probe, found, now)
            case Over():
                holder = probe.name if found.holder == "" and probe is not None else found.holder
                register.clear(_key(found, probe), now, holder, found.why)
            case Eased():
                register.ease(_key(found, probe), now, found.limit)
            case Amended(told=True):
                register.reword(_key(found, probe), now, found.cause, found.response)
            case Amended():
                register.amend(_key(found, probe), found.detail, found.cause, found.response)
            case Explained() | Unexplained():
                _explain(state, found, _key(found, probe))
            case _:
                _of_probe(state, probe, found, now)


def _of_probe(
    state: JudgeState, probe: ProbeState | None, found: InFault | FaultOver | TimedAnew | OtherAir, now: int
) -> None:
    match found:
        case InFault():
            _begin(state, _of(state, found.probe, probe), found, now)
        case FaultOver():
            _end(state, _of(state, found.probe, probe), found.kind, now)
        case TimedAnew():
            _time_anew(_of(state, None, probe), found)
        case OtherAir():
            _of(state, found.probe, probe).past.keep(found.since)


def _explain(state: JudgeState, found: Explained | Unexplained, key: Key) -> None:
    suppressed, now = state.register.suppressed, state.now
    if isinstance(found, Explained):
        # What was so before is not explained by it.
        if not state.beyond_before(key[0], found.kind, now if found.at is None else found.at):
            _suppress(state, key, found.until, now)
    elif suppressed.get(key) == found.until:
        suppressed[key] = now
        state.set_timer(now, "suppressed", key)


def _of(state: JudgeState, about: ProbeView | None, probe: ProbeState | None) -> ProbeState:
    if about is not None:
        return state.probes[about.name]
    assert probe is not None  # noqa: S101  only what names its place is found without a probe
    return probe


def _key(found: Over | Eased | Amended | Explained | Unexplained, probe: ProbeState | None) -> Key:
    place = getattr(found, "place", "") or (probe.place if probe is not None else "")
    return place, found.kind


def _raise(state: JudgeState, looked_at: ProbeState | None, found: Stands, now: int) -> None:
    probe = found.probe or looked_at
    if found.place or probe is None:
        key, enclosure, name = (found.place, found.kind), found.enclosure, None
    else:
        key, enclosure, name = (probe.place, found.kind), probe.enclosure, probe.name
    holder = found.holder or name or found.place
    state.register.raise_(key, now, found, holder=holder, enclosure=enclosure, probe=name)


def _time_anew(probe: ProbeState, found: TimedAnew) -> None:
    for side in probe.sides:
        if side.kind in found.kinds:
            for run in side.runs():
                if run.seconds >= 0 and run.since >= found.since:
                    run.restart()


def _begin(state: JudgeState, probe: ProbeState, found: InFault, now: int) -> None:
    """A probe is in a fault; what it is in already stands on."""
    kind, since, fault = found.kind, found.since, probe.fault
    spell = fault.standing.get(kind)
    if spell is not None:
        # Found anew: an end that was under way is none.
        spell[1] = -1
        if found.stated:
            spell[2] = now
        return
    # First: what is believed of the probe follows from the faults that stand.
    fault.standing[kind] = [since, -1, now if found.stated else NEVER]
    for memory in probe.kept():
        memory.in_fault(kind)
    held = belief(View(state, probe, now), kind)
    if held is not None:
        _disbelieve(state, probe, kind, now, whole="temperature" in held.takes)
        # Rubbish counted for nothing as it came: there is nothing to take back.
        if since < now and kind != "gross_range":
            exclude(state, probe, state.register.wall(since), now, kind, FAIL if held.stated else SUSPECT)
    if found.place:
        fault.places[kind] = found.place
    began = since if found.began is None else found.began
    told = Stands(kind, began, cause=found.cause, response=found.response, detail=found.detail)
    enclosure, name = (None, None) if found.place else (probe.enclosure, probe.name)
    state.register.raise_(
        (found.place or probe.place, kind), now, told, holder=probe.name, enclosure=enclosure, probe=name
    )


def _disbelieve(state: JudgeState, probe: ProbeState, kind: str, now: int, *, whole: bool) -> None:
    """What was timed on humidity, of `whole` on temperature too, is timed anew; what stands is annotated.

    What was withheld and never told rests on readings nobody believes now, and is not told: heat apart.
    """
    for side in probe.sides:
        if side.thermal and not whole:
            continue
        for run in side.runs():
            run.restart()
        key: Key = (probe.place, side.kind)
        instance = state.register.instances.get(key)
        if side.level and side.kind != "hot" and instance is not None and instance.stands and not instance.told:
            side.drop()
            state.register.clear(key, now, probe.name)
        elif side.level and instance is not None:
            state.register.annotate(key, now, f"{probe.name} is now known as faulty: {kind}")
    for memory in probe.kept():
        memory.disbelieved()


def _end(state: JudgeState, probe: ProbeState, kind: Kind, now: int) -> None:
    """A probe is out of a fault."""
    if probe.fault.standing.pop(kind, None) is None:
        return
    state.register.clear((probe.fault.places.pop(kind, probe.place), kind), now, probe.name)
    for memory in probe.kept():
        memory.fault_over(kind)
    held = INFERRED.get(kind)
    if held is not None and kind not in ("gross_range", "flat_line"):
        probe.air.mean_anew(thermal=held.elsewhere)
    if kind in ("missing", "crc"):
        state.set_timer(now + missing_after(state.poll), "missing", probe.name)


def let_go(state: JudgeState, probe: ProbeState, now: int, why: str) -> None:
    """A probe is believed no more or is gone: whatever it held where it was is over, forecasts and its room's alarms too."""
    for kind in list(probe.faults):
        _end(state, probe, kind, now)
    for key, instance in list(state.register.instances.items()):
        if key[0] == probe.place and (probe.role == "room" or probe.name in instance.holders):
            state.register.clear(key, now, None if probe.role == "room" else probe.name, why)
    probe.let_go()


def begin_anew(state: JudgeState, probe: ProbeState, now: int, *, another: bool) -> None:
    """Learn anew what is usual for a probe. How hot it was stays with the heat that stands: the vet asks for it."""
    view = View(state, probe, now)
    for kind in sorted(LATCHED):
        alarm = view.standing(kind)
        if alarm is not None:
            act(state, probe, (Amended(kind, view.hottest(alarm)),), now)
    probe.begin_anew(another=another)


def exclude(state: JudgeState, probe: ProbeState, since: int, now: int, why: str, flag: int = FAIL) -> None:
    """Count for nothing what was read since a stored time."""
    wall = state.register.wall(now)
    state.exclude(Exclusion(probe.name, min(since, wall), wall, (why,), flag))


def acknowledge(state: JudgeState, alarm: str, now: int, who: str, why: str) -> None:
    """Somebody saw it; if it is not cured, it comes back."""
    state.register.acknowledge(alarm, now, who, why)
    for key, instance in state.register.instances.items():
        if instance.id == alarm and instance.state == "acknowledged":
            state.set_timer(now + state.realarm_seconds(instance.enclosure), "realarm", key)


def realarm(state: JudgeState, about: Key, now: int) -> None:
    """The timer of an acknowledged alarm fired."""
    instance = state.register.instances.get(about)
    if instance is not None and instance.state == "acknowledged":
        # Reckoned anew: it may have been acknowledged once more, and other limits may hold.
        due = instance.acked_at + state.realarm_seconds(instance.enclosure)
        if due <= now:
            state.register.realarm(about, now)
        else:
            state.set_timer(due, "realarm", about)


def withhold(
    state: JudgeState, what: Literal["shelved", "suppressed"], keys: Iterable[Key], until: int, now: int, who: str = "", why: str = ""
) -> None:  # fmt: skip
    """Withhold some alarms until a time, by a person; a suppression that lasts longer lasts on."""
    keys = list(keys)
    for key in keys:
        if what == "suppressed":
            _suppress(state, key, until, now)
        elif until > now:
            state.register.shelved[key] = until
            state.set_timer(until, "shelved", key)
    state.register.withhold(keys, now, who, why)


def release(
    state: JudgeState, what: Literal["shelved", "suppressed"], keys: Iterable[Key], now: int, who: str = "", why: str = ""
) -> None:  # fmt: skip
    """End that: what still stands is told now."""
    held = getattr(state.register, what)
    keys = [key for key in keys if held.pop(key, None) is not None]
    state.register.release(keys, now, who, why)


def out_of_service(state: JudgeState, place: str, until: int, now: int, who: str, why: str) -> None:
    """Judge nothing of a place aloud until a person ends it; asked about at a time."""
    register = state.register
    register.out_of_service[place] = until
    state.set_timer(until, "review", place)
    register.withhold([key for key in register.instances if key[0] == place], now, who, why)


def in_service(state: JudgeState, place: str, now: int, who: str, why: str) -> None:
    """End that."""
    register = state.register
    del register.out_of_service[place]
    register.clear((f"review:{place}", "system"), now)
    register.release([key for key in register.instances if key[0] == place], now, who, why)


def _suppress(state: JudgeState, key: Key, until: int, now: int) -> None:
    if until > now and until > state.register.suppressed.get(key, -1):
        state.register.suppressed[key] = until
        state.set_timer(until, "suppressed", key)


def withholding_ends(state: JudgeState, about: Key, what: Literal["shelved", "suppressed"], now: int) -> None:
    """The timer of a withholding fired; what is suppressed and only owes its off-delay, or is in doubt, waits on."""
    held: dict[Key, int] = getattr(state.register, what)
    # It was made longer since the timer was set, or was ended.
    if held.get(about, now + 1) > now:
        return
    wait = _waits(state, about, now) if what == "suppressed" else 0
    if wait:
        held[about] = now + wait
        state.set_timer(held[about], what, about)
    else:
        release(state, what, [about], now)


def _waits(state: JudgeState, about: Key, now: int) -> int:
    """Return how many seconds what was suppressed may wait on: as long as the most pressing probe that holds it."""
    place, kind = about
    holding = [
        (probe, side)
        for probe in state.judged_probes(place)
        for side in probe.sides
        if side.kind == kind and side.level
    ]
    least = 0
    for probe, side in holding:
        wait, found = may_wait(View(state, probe, now), side)
        act(state, probe, found, now)
        # One probe that may not wait is enough: doubt of the others quiets nothing.
        if not wait:
            return 0
        # The soonest end of waiting among them; 0 stands for none yet.
        least = min(least or wait, wait)
    return least
