"""Probe faults: raised and cleared in one way, whatever found them.

What a fault takes away from the readings of its probe is in `beliefs`. While it takes something away the enclosure is
unwatched and says so. A fault found late carries `since`: what was read from then on is excluded. A fault is over after
five minutes of readings that show no trace of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, TypedDict
from urllib.parse import unquote

from dewkeeper.judge.beliefs import INFERRED, belief, beliefs, rare
from dewkeeper.judge.state import NEVER, State, Watch, own_part
from dewkeeper.judge.types import FAIL, SUSPECT, Exclusion, Kind, SystemReport

RECOVERY_SECONDS: Final = 300
SLOW_RECOVERY: Final[Mapping[str, int]] = {"brownout": 3600, "crc": 1800}
"""What comes and goes: a sagging supply resets a probe every few minutes for hours, and that is one alarm."""
RETURNING: Final = frozenset({"saturated", "flat_line"})
RETURNED_SECONDS: Final = 4 * 3600
RETURNS_BORNE: Final = 2
RETURNED_RECOVERY: Final = 3600
"""One of these that was back within four hours of its end, and again, and again, is over after an hour only: a
chattering alarm (ISA-18.2) is damped by its off-delay. Water on a sensor comes and goes with the thermostat; a plug is
somebody's doing, and over when it is in."""
RUBBISH_TOLD: Final = 5
RUBBISH_POLLS: Final = 60
"""So many polls of rubbish within so many polls are `gross_range`: five in a row, or one in ten within an hour or two."""
MISSING_SECONDS: Final = 570
"""Told within ten minutes. Eight polls lost in a row by chance at 35 % loss come once in two weeks."""


_BRANCH: Final = "branch:"


class _Words(TypedDict, total=False):
    cause: str
    response: str
    detail: Mapping[str, str | float | int]


def missing_after(state: State) -> int:
    """Return how long a probe may be silent, seconds."""
    return max(MISSING_SECONDS, state.poll * 7 // 2)


def note_rubbish(state: State, watch: Watch, now: int, *, stated: bool = False) -> None:
    """A poll gave what the sensor cannot mean (stated), or a jump no air makes: once is nothing, again and again is a fault.

    A jump that the next reading bears out is taken back.
    """
    watch.rubbish = [*watch.rubbish[1 - RUBBISH_TOLD :], now]
    many = len(watch.rubbish) == RUBBISH_TOLD and now - watch.rubbish[0] < RUBBISH_POLLS * state.poll
    if "gross_range" in watch.faults or many:
        start_fault(state, watch, "gross_range", now, watch.rubbish[0], stated=stated)


def start_fault(
    state: State,
    watch: Watch,
    kind: Kind,
    now: int,
    since: int,
    detail: Mapping[str, str | float | int] | None = None,
    *,
    stated: bool = False,
    cause: str = "",
    response: str = "",
) -> None:
    """A probe is in a fault from `since` on. stated: the sensor itself says so. cause, response: where the kind's own words do not fit."""
    spell = watch.faults.get(kind)
    if spell is not None:
        spell[1] = -1
        if stated:
            spell[2] = now
        return
    watch.faults[kind] = [since, -1, now if stated else NEVER]
    returned = since - watch.ended.get(kind, NEVER) < RETURNED_SECONDS
    watch.returns[kind] = watch.returns.get(kind, 0) + 1 if returned else 0
    held = belief(state, watch, kind, now)
    if held is not None:
        _disbelieve(state, watch, kind, now, whole="temperature" in held.takes)
        if since < now and kind != "gross_range":
            wall = state.book.wall
            state.exclusions.append(
                Exclusion(watch.name, wall(since), wall(now), (kind,), FAIL if held.stated else SUSPECT)
            )
    state.book.raise_(
        (watch.place, kind), now, since=since, enclosure=watch.enclosure, probe=watch.name, holder=watch.name,
        cause=cause, response=response, detail=dict(detail or {}),
    )  # fmt: skip


def _disbelieve(state: State, watch: Watch, kind: str, now: int, *, whole: bool) -> None:
    """What was timed on humidity, of `whole` on temperature too, is timed anew; what stands is annotated.

    What was withheld and never told rests on readings nobody believes now, and is not told: heat apart.
    """
    for side in watch.sides:
        if side.thermal and not whole:
            continue
        for run in side.runs():
            run.restart()
        life = state.book.lives.get((watch.place, side.kind))
        if side.level and side.kind != "hot" and life is not None and life.stands and not life.told:
            side.drop()
            state.book.clear((watch.place, side.kind), now, watch.name)
        elif side.level and life is not None:
            state.book.annotate((watch.place, side.kind), now, f"{watch.name} is now known as faulty: {kind}")
    watch.pend_at = NEVER


def end_fault(state: State, watch: Watch, kind: Kind, now: int) -> None:
    """A probe is out of a fault."""
    if watch.faults.pop(kind, None) is not None:
        watch.ended[kind] = now
        state.book.clear((watch.places.pop(kind, watch.place), kind), now, watch.name)
        if kind == "gross_range":
            watch.rubbish = []
        if kind == "sensor_heater":
            watch.heater_from = 0.0
        held = INFERRED.get(kind)
        if held is not None and kind not in ("gross_range", "flat_line"):
            watch.slow_e = watch.e  # what was read meanwhile is no part of a mean
            if held.elsewhere:
                watch.slow_t = watch.t
        if kind in ("missing", "crc"):
            state.set_timer(now + missing_after(state), "missing", watch.name)


def note_stranger(state: State, watch: Watch, now: int, note: str) -> None:
    """Heed whether the sensor of a position is its own; `note` is empty when it is.

    Another one may hang in another enclosure: until the keeper says that it belongs here, its humidity counts for
    nothing, and what was usual here is learned anew. Its heat counts: it is some enclosure's.
    """
    before, watch.stranger = watch.stranger, note
    if not note:
        if before:
            watch.forget()
            watch.seen = NEVER  # nor is the next reading compared with the other sensor's last one
            end_fault(state, watch, "swapped", now)
        return
    if "swapped" in watch.faults:
        return
    watch.forget()
    watch.seen = NEVER
    other = unquote(note.partition(":")[2])
    told = f"at {watch.name} answers the sensor recorded for {other}" if other else f"{watch.name} has another sensor"
    start_fault(
        state, watch, "swapped", now, now, {"with": other, "sure": "very"} if other else {"sure": "very"}, cause=told,
        response="`dewkeeper probes check` says which sensor is where; put back what was exchanged, or accept what is "
        f"there: `dewkeeper probes replace {watch.name}`",
    )  # fmt: skip


def let_go(state: State, watch: Watch, now: int, why: str) -> None:
    """A probe is believed no more or is gone: whatever it held where it was is over, forecasts and its room's alarms too."""
    for key, life in list(state.book.lives.items()):
        if key[0] == watch.place and (watch.role == "room" or watch.name in life.holders):
            state.book.clear(key, now, None if watch.role == "room" else watch.name, why)
    watch.room_runs = []


def retire(state: State, watch: Watch, now: int) -> None:
    """Believe nothing of a probe from now on: what stood because of it is over, it is neither read nor missed."""
    for kind in list(watch.faults):
        end_fault(state, watch, kind, now)
    for side in watch.sides:
        side.end()
    let_go(state, watch, now, "the probe was retired")
    watch.busy = False
    watch.stranger = ""
    watch.pend_at = NEVER
    watch.retired = now


def recover(state: State, watch: Watch, now: int, traces: frozenset[str] | set[str]) -> None:
    """A reading came that shows only `traces` of faults; end those not seen for long enough."""
    for kind, spell in list(watch.faults.items()):
        if kind in traces:
            spell[1] = -1
        elif spell[1] < 0:
            spell[1] = now
        elif now - spell[1] >= _recovery(state, watch, kind):
            end_fault(state, watch, kind, now)


def _recovery(state: State, watch: Watch, kind: str) -> int:
    if kind in RETURNING and watch.returns.get(kind, 0) > RETURNS_BORNE:
        return RETURNED_RECOVERY
    if kind == "gross_range" and rare(state, watch):
        return RUBBISH_POLLS * state.poll  # what came every ten minutes is not over after five
    return SLOW_RECOVERY.get(kind, RECOVERY_SECONDS)


def check_silence(state: State, watch: Watch, now: int) -> None:
    """The timer of `missing` fired: is the probe silent?"""
    after = _patience(state, watch)
    if watch.retired != NEVER:
        state.set_timer(now + missing_after(state), "missing", watch.name)
        return
    if now - watch.live < after:
        state.set_timer(watch.live + after, "missing", watch.name)
        return
    if "missing" not in watch.faults and "crc" not in watch.faults:
        together = _silent_together(state, watch, now)
        if together is None:
            start_fault(state, watch, "missing", now, watch.live, **_why(state, watch))
        else:
            _part_silent(state, *together, now)
    # Asked again ever less often, so that a gap of years is not gone through minute by minute; when it is back, anew.
    state.set_timer(now + max(missing_after(state), now - watch.live), "missing", watch.name)


def name_cause(state: State, report: SystemReport, now: int) -> None:
    """Heed why nothing is read of a part of the wiring.

    A probe of it that was never heard is told at once: the keeper has just wired it and stands beside it. One that was
    heard has `missing_after` to come back, for a plug moved by hand is no fault.
    """
    state.sick[report.part] = report
    unheard = [w for w in state.watches.values() if report.part in w.parts and not w.heard and w.retired == NEVER]
    told = [w for w in unheard if "missing" in w.faults or "crc" in w.faults]
    for watch in unheard:
        if watch in told:
            _next_cause(state, watch, report, now)
        elif "missing" in watch.faults:
            pass  # told just now, together with one of the others
        elif watch.crc:
            start_fault(state, watch, "crc", now, watch.crc_since, **_why(state, watch))
        else:
            check_silence(state, watch, now)


def _next_cause(state: State, watch: Watch, report: SystemReport, now: int) -> None:
    """The keeper mended one thing, and this is the next: the fault that stands says so."""
    kind: Kind = "missing" if "missing" in watch.faults else "crc"
    place = watch.places.get(kind, watch.place)
    part = place.removeprefix(_BRANCH)
    state.book.reword(
        (place, kind), now, report.text if part == place else _silent_words(part, report), report.response
    )


def _cause(state: State, watch: Watch) -> SystemReport | None:
    return next((state.sick[part] for part in watch.parts if part in state.sick), None)


def _patience(state: State, watch: Watch) -> int:
    """Return how long this probe may be silent, seconds: none when it was never heard and it is known why."""
    return 0 if not watch.heard and _cause(state, watch) is not None else missing_after(state)


def _why(state: State, watch: Watch) -> _Words:
    """Return cause, response and detail of a fault whose cause the service named; nothing where it did not."""
    report = _cause(state, watch)
    if report is None:
        return {}
    own = report.part == own_part(watch.name)
    return {
        "cause": report.text if own else f"{report.part}: {report.text}",
        "response": report.response,
        "detail": {"action": report.action} if report.action else {},
    }


def _silent_together(state: State, watch: Watch, now: int) -> tuple[str, list[Watch]] | None:
    """Return the widest part of the wiring of which every probe is silent; None when it is one probe."""
    if own_part(watch.name) in state.sick:
        return None
    for name in watch.wiring:
        members = [w for w in state.watches.values() if name in w.wiring and w.retired == NEVER]
        # Polled one after another: those whose own time comes within two polls are silent together.
        if len(members) > 1 and all(
            now - w.live >= _patience(state, w) - 2 * state.poll
            and "crc" not in w.faults
            and (w.heard or not w.crc)
            and own_part(w.name) not in state.sick
            for w in members
        ):
            return name, members
    return None


def _silent_words(part: str, report: SystemReport | None) -> str:
    return f"every probe of {part} is silent" + (f": {report.text}" if report is not None and report.text else "")


def _part_silent(state: State, part: str, members: list[Watch], now: int) -> None:
    """Every probe of a part of the wiring fell silent: one fault, named for the part."""
    place = f"{_BRANCH}{part}"
    names = ", ".join(sorted(w.name for w in members))
    report = state.sick.get(part)
    response = (
        report.response if report is not None and report.response else "check the cable, plug and supply they share"
    )
    action = {"action": report.action} if report is not None and report.action else {}
    for member in members:
        if "missing" not in member.faults:
            member.faults["missing"] = [member.live, -1, NEVER]
            member.places["missing"] = place
            state.book.raise_(
                (place, "missing"), now, since=min(w.live for w in members), enclosure=None, probe=None,
                holder=member.name, cause=_silent_words(part, report),
                response=response,
                detail={"branch": part, "members": names, "count": len(members), "text": f"silent: {names}", **action},
            )  # fmt: skip


def unwatched(state: State) -> dict[str, tuple[str, int]]:
    """Return enclosure -> (why, since in elapsed seconds) of what nobody sees."""
    found: dict[str, tuple[str, int]] = {}
    if state.settings is None:
        return found
    for name in state.settings.enclosures:
        reasons: list[tuple[str, int]] = []
        watches = state.watches_of(name)
        for watch in watches:
            if watch.retired != NEVER:
                reasons.append(("probe retired", watch.retired))
                continue
            faults = [(kind, watch.faults[kind][0]) for kind, _ in beliefs(state, watch, state.now)]
            if faults:
                reasons.append(min(faults, key=lambda f: f[1]))
            elif state.now - watch.seen > state.hold:
                why = (
                    "crc"
                    if watch.crc
                    else "gross_range"
                    if watch.rubbish and state.now - watch.rubbish[-1] <= state.hold
                    else "missing"
                )
                reasons.append((why, max(watch.seen, state.started)))
        if len(reasons) == len(watches):
            found[name] = min(reasons, key=lambda r: r[1]) if reasons else ("no probe", state.started)
    return found
