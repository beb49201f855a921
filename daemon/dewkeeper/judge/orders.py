"""What people and the configuration tell the judge: settings, journal entries, commands."""

from __future__ import annotations

import uuid
from bisect import insort
from collections.abc import Callable, Iterable, Mapping
from typing import Final

from dewkeeper.judge.book import Key
from dewkeeper.judge.changes import changes, limits_difference
from dewkeeper.judge.faults import end_fault, let_go, missing_after, retire
from dewkeeper.judge.lifecycle import Life
from dewkeeper.judge.limits import DOUBT_SECONDS, sides_for
from dewkeeper.judge.stages import MOVES, STAGE_WORDS, StageDeed, neighbours, stage_deed, stages_at
from dewkeeper.judge.state import BEFORE_SECONDS, NEVER, State, Tub, Watch
from dewkeeper.judge.types import FAIL, Command, Event, Exclusion, JournalEntry, Kind, ProbeFacts, Settings
from dewkeeper.judge.words import (
    DAY,
    JOURNAL,
    KINDS,
    LONGEST_SHELF_SECONDS,
    LONGEST_SUPPRESSION_SECONDS,
    REVIEW_SECONDS,
    SOON_BACK,
    SOON_BACK_SECONDS,
)
from dewkeeper_config.models import Limits

_NAMES = uuid.UUID("0b5e9a3c-58b2-5a0e-8a3f-9d6a1c1f7d10")
NEVER_SUPPRESSED: frozenset[Kind] = frozenset({"hot", "heat_stuck_on", "room_heat", "room_frost", "system"})
"""Heat is not argued away, and the room and the service are nobody's misting."""
_STAGES_KEPT = 3000
_STAGES_KEPT_SECONDS = 400 * DAY
"""Longer than any stage lasts."""
_ELSEWHERE = "the probe is no longer configured here"


def settle(state: State, settings: Settings, now: int) -> None:
    """Take new settings: probes come and go, limits change, every change is logged."""
    old = state.settings
    state.settings = settings
    state.poll = settings.poll_seconds
    state.hold = settings.poll_seconds * 3
    if old is None:
        state.started = state.begun = now
        state.set_timer(now + 86400, "daily", "")
    else:
        for place, changed in changes(old, settings):
            log(state, now, place, settings.who, settings.why, changed)
    for name in [n for n in state.watches if n not in settings.probes]:
        _gone(state, state.watches.pop(name), now)
    for facts in settings.probes.values():
        _settle_probe(state, facts, now)
    state.rooms = {facts.room or "": name for name, facts in settings.probes.items() if facts.role == "room"}
    for name in settings.enclosures:
        state.tubs.setdefault(name, Tub(name))
    for name in [n for n in state.tubs if n not in settings.enclosures]:
        del state.tubs[name]
        for key in [k for k in state.book.lives if k[0] == name]:
            state.book.clear(key, now, why="the enclosure is no longer configured")
    for tub in state.tubs.values():
        apply_limits(state, tub, now)


def _settle_probe(state: State, facts: ProbeFacts, now: int) -> None:
    """Take what the configuration says of one probe; one that hangs elsewhere now begins anew."""
    known = state.watches.get(facts.name)
    if known is None:
        state.watches[facts.name] = Watch(facts, now)
        state.set_timer(now + missing_after(state), "missing", facts.name)
    elif (known.enclosure, known.role, known.room) != (facts.enclosure, facts.role, facts.room or ""):
        _gone(state, known, now)
        state.watches[facts.name] = Watch(facts, now)
    else:
        known.adopt(facts)


def _gone(state: State, watch: Watch, now: int) -> None:
    """A probe is no longer here: nothing stands because of it."""
    for kind in list(watch.faults):
        end_fault(state, watch, kind, now)
    let_go(state, watch, now, _ELSEWHERE)


def limits_now(state: State, tub: Tub) -> Limits:
    """Return the limits an enclosure is judged by: its stage's, else its own."""
    assert state.settings is not None  # noqa: S101  the judge takes nothing before Settings
    own = state.settings.enclosures[tub.name].limits
    return state.settings.stage_limits.get(tub.stage, own) if tub.stage else own


def apply_limits(state: State, tub: Tub, now: int) -> None:
    """Give every judged probe of an enclosure the sides of its limits."""
    limits = limits_now(state, tub)
    for watch in state.watches_of(tub.name):
        watch.sides = sides_for(limits, watch.sides)
        watch.box()


def log(
    state: State,
    now: int,
    enclosure: str | None,
    who: str,
    why: str,
    detail: dict[str, str | float | int],
) -> None:
    """Record a change that is no alarm: kind `system`, event `annotated`, state `normal`."""
    row = KINDS["system"]
    at = state.book.wall(now)
    state.changes += 1
    change = str(uuid.uuid5(_NAMES, f"{state.changes}|{enclosure}|{now}|{at}|{sorted(detail.items())}"))
    state.book.events.append(
        Event(
            id=change, alarm=change, time=at, event="annotated", kind="system", enclosure=enclosure, probe=None,
            band=None, priority="low", state="normal", since=at, cause="settings changed", consequence=row.consequence,
            response="nothing, if you meant it", within_seconds=row.within_seconds, who=who, why=why, detail=detail,
        )
    )  # fmt: skip


def note_deed(state: State, entry: JournalEntry, now: int) -> None:
    """Take a journal entry: it may set or end a stage and explain what the air does next."""
    tub = state.tubs.get(entry.enclosure or "")
    word = JOURNAL.get(entry.what)
    if word is None or tub is None:
        return
    at = entry.time - state.shift
    until = -1 if entry.until is None else entry.until - state.shift
    tub.deeds = [d for d in tub.deeds if d[1] != entry.replaces][-199:]
    tub.deeds.append((at, entry.id, entry.what, until))
    tub.deeds.sort(key=lambda deed: deed[0])
    _note_stage(state, entry, now)
    if word.opens or word.restarts_memory:
        for watch in state.watches_of(tub.name):
            watch.disturbed(now)
    for kind in word.suppresses:
        if state.beyond_before(tub.name, kind, at):
            continue  # what was so before it was done is not explained by it
        seconds = min(word.seconds, SOON_BACK_SECONDS) if kind in SOON_BACK and not word.long else word.seconds
        seconds = min(seconds, _longest_quiet(state, tub, kind))
        _hush(state, [(tub.name, kind)], min(min(at, now) + seconds, now + LONGEST_SUPPRESSION_SECONDS), now)
    if word.restarts_memory:
        for watch in state.watches_of(tub.name):
            watch.forget()
            for kind in ("swapped", "displaced", "impossible"):
                end_fault(state, watch, kind, now)


def _longest_quiet(state: State, tub: Tub, kind: Kind) -> int:
    """Return for how long a deed may quiet a kind, seconds: what is written may be wrong, and the bound of doubt holds for that, too."""
    delays = limits_now(state, tub).delays
    minutes = {"dry": delays.dry_tolerable_minutes, "damp": delays.damp_tolerable_minutes, "cold": delays.cold_minutes}
    if kind not in ("dry", "damp", "cold"):
        return LONGEST_SUPPRESSION_SECONDS
    return round(60 * minutes[kind]) + DOUBT_SECONDS[kind] - BEFORE_SECONDS


def _note_stage(state: State, entry: JournalEntry, now: int) -> None:
    """Keep what an entry says of stages and moves, as long as it can matter, in order of time."""
    touched = {place for row in state.stage_deeds if row[0] == entry.replaces for place in _near(state, row[2])}
    if touched:
        state.stage_deeds = [row for row in state.stage_deeds if row[0] != entry.replaces]
    if entry.what in STAGE_WORDS:
        row = (entry.id, *stage_deed(entry, state.shift))
        insort(state.stage_deeds, row, key=lambda row: row[1])
        _forget_stages(state, now)
        touched |= _near(state, row[2])
    restage(state, touched, now, entry.who or "journal")


def _near(state: State, enclosure: str) -> set[str]:
    return neighbours((StageDeed(*row[1:]) for row in state.stage_deeds), enclosure)


def _forget_stages(state: State, now: int) -> None:
    kept = [row for row in state.stage_deeds if row[3] in MOVES or now - row[1] < _STAGES_KEPT_SECONDS]
    state.stage_deeds = kept[-_STAGES_KEPT:]


def restage(state: State, enclosures: Iterable[str], now: int, who: str) -> None:
    """Recompute the stages of some enclosures; a change of limits is logged and reverts by itself."""
    for place in sorted(enclosures):
        tub = state.tubs.get(place)
        if tub is not None:
            near = _near(state, place)
            held = stages_at((StageDeed(*row[1:]) for row in state.stage_deeds if row[2] in near), now)
            _set_stage(state, tub, *held.get(place, ("", -1)), now, who)


def _set_stage(state: State, tub: Tub, stage: str, until: int, now: int, who: str) -> None:
    if stage and until != tub.stage_until:
        state.set_timer(until, "stage", tub.name)
    if stage != tub.stage:
        before = limits_now(state, tub)
        was, tub.stage = tub.stage, stage
        changed = limits_difference(before, limits_now(state, tub))
        log(state, now, tub.name, who, f"stage {was or 'usual'} -> {stage or 'usual'}", changed)
        apply_limits(state, tub, now)
    tub.stage_until = until


def _hush(state: State, keys: list[Key], until: int, now: int) -> None:
    for key in keys:
        if until > now and until > state.book.quiet.get(key, -1):
            state.book.quiet[key] = until
            state.set_timer(until, "quiet", f"{key[0]}\x1f{key[1]}")


def obey(state: State, command: Command, now: int) -> None:
    """Carry out a command; one that names nothing known is ignored."""
    does = _VERBS.get(command.verb)
    if does is not None:
        does(state, command, now)


def _of(state: State, alarm: str | None) -> list[tuple[Key, Life]]:
    return [(key, life) for key, life in state.book.lives.items() if life.id == alarm]


def _end(state: State, command: Command, now: int, *, usual: int, longest: int | None = None) -> int:
    """Return when what a command begins ends, elapsed seconds."""
    end = now + usual if command.until is None else command.until - state.shift
    return end if longest is None else min(end, now + longest)


def _acknowledge(state: State, command: Command, now: int) -> None:
    state.book.acknowledge(command.alarm or "", now, command.who, command.why)
    for key, life in _of(state, command.alarm):
        if life.state == "acknowledged":
            state.set_timer(now + realarm_seconds(state, life.enclosure), "realarm", f"{key[0]}\x1f{key[1]}")


def _shelve(state: State, command: Command, now: int) -> None:
    end = _end(state, command, now, usual=3600, longest=LONGEST_SHELF_SECONDS)
    for key, life in _of(state, command.alarm):
        if life.stands and end > now:
            state.book.shelf[key] = end
            state.set_timer(end, "shelf", f"{key[0]}\x1f{key[1]}")
            state.book.withhold([key], now, command.who, command.why)


def _unshelve(state: State, command: Command, now: int) -> None:
    for key, _ in _of(state, command.alarm):
        if state.book.shelf.pop(key, None) is not None:
            state.book.release([key], now, command.who, command.why)


def _out_of_service(state: State, command: Command, now: int) -> None:
    book, place = state.book, command.enclosure or ""
    if place not in state.tubs:
        return
    end = _end(state, command, now, usual=REVIEW_SECONDS)
    end = end if end > now else now + REVIEW_SECONDS
    book.removed[place] = end
    state.set_timer(end, "review", place)
    book.withhold([k for k in book.lives if k[0] == place], now, command.who, command.why)
    detail: dict[str, str | float | int] = {"out of service": "until in_service", "review": book.wall(end)}
    log(state, now, place, command.who, command.why, detail)


def _in_service(state: State, command: Command, now: int) -> None:
    book, place = state.book, command.enclosure or ""
    if place not in book.removed:
        return
    del book.removed[place]
    book.clear((f"review:{place}", "system"), now)
    book.release([k for k in book.lives if k[0] == place], now, command.who, command.why)
    log(state, now, place, command.who, command.why, {"in service": "again"})


def _suppress(state: State, command: Command, now: int) -> None:
    place = command.enclosure or ""
    if place not in state.tubs:
        return
    end = _end(state, command, now, usual=3600, longest=LONGEST_SUPPRESSION_SECONDS)
    keys = [(place, kind) for kind in KINDS if kind not in NEVER_SUPPRESSED and command.kind in (None, kind)]
    _hush(state, keys, end, now)
    state.book.withhold(keys, now, command.who, command.why)


def _unsuppress(state: State, command: Command, now: int) -> None:
    place = command.enclosure or ""
    if place not in state.tubs:
        return
    ended = [k for k in state.book.quiet if k[0] == place and command.kind in (None, k[1])]
    for key in ended:
        del state.book.quiet[key]
    state.book.release(ended, now, command.who, command.why)


def _retire(state: State, command: Command, now: int) -> None:
    watch = state.watches.get(command.probe or "")
    if watch is not None:
        retire(state, watch, now)
        log(state, now, watch.enclosure, command.who, command.why, {"retired": watch.name})


def _accept(state: State, command: Command, now: int) -> None:
    watch = state.watches.get(command.probe or "")
    if watch is None:
        return
    if watch.retired != NEVER:
        watch.retired, watch.live = NEVER, now
    log(state, now, watch.enclosure, command.who, command.why, {"sensor accepted for": watch.name})


def _exclude(state: State, command: Command, now: int) -> None:
    watch = state.watches.get(command.probe or "")
    if watch is None:
        return
    wall = state.book.wall(now)
    state.exclusions.append(Exclusion(watch.name, min(command.time, wall), wall, ("excluded",), FAIL))
    for side in watch.sides:
        for run in (*side.runs(), *([side.read] if side.read is not None else [])):
            run.restart()


_VERBS: Final[Mapping[str, Callable[[State, Command, int], None]]] = {
    "acknowledge": _acknowledge, "shelve": _shelve, "unshelve": _unshelve, "out_of_service": _out_of_service,
    "in_service": _in_service, "suppress": _suppress, "unsuppress": _unsuppress, "retire": _retire, "accept": _accept,
    "exclude": _exclude,
}  # fmt: skip
"""`away` and `back` are the planner's."""


def realarm_seconds(state: State, enclosure: str | None) -> int:
    """Return how long an acknowledged alarm may stand before it comes back."""
    tub = state.tubs.get(enclosure or "")
    return int((limits_now(state, tub).delays.realarm_hours if tub else 12) * 3600)
