"""Journal entries: each may set or end a stage, and explains what the air does next."""

from __future__ import annotations

from bisect import insort
from collections.abc import Iterable
from typing import Final

from dewkeeper.judge.acting import act, begin_anew
from dewkeeper.judge.cause import advised_anew
from dewkeeper.judge.changes import limits_difference
from dewkeeper.judge.contract import Explained, FaultOver
from dewkeeper.judge.inputs.settings import apply_limits, log
from dewkeeper.judge.journal_words import (
    BEFORE_SECONDS,
    JOURNAL,
    LONGEST_SUPPRESSION_SECONDS,
    SOON_BACK,
    SOON_BACK_SECONDS,
    JournalWord,
)
from dewkeeper.judge.limit_alarm import DOUBT_SECONDS
from dewkeeper.judge.rationale import DAY
from dewkeeper.judge.stages import (
    ENDLESS_WORDS,
    MOVES,
    NOTHING_HOLDS,
    STAGE_WORDS,
    Holding,
    StageDeed,
    holding,
    neighbours,
    stage_deed,
)
from dewkeeper.judge.state import EnclosureState, JudgeState
from dewkeeper.judge.types import JournalEntry, Kind
from dewkeeper.judge.view import View

_COMPARED: Final[tuple[Kind, ...]] = ("swapped", "displaced", "impossible")
"""What is found by comparison with what was, and is over when that is learned anew."""
_STAGES_KEPT = 3000
_STAGES_KEPT_SECONDS = 400 * DAY
"""Longer than any stage lasts that ends by itself."""


def apply_journal_entry(state: JudgeState, entry: JournalEntry, now: int) -> None:
    """Take a journal entry: it may set or end a stage and explain what the air does next."""
    tub = state.enclosures.get(entry.enclosure or "")
    word = JOURNAL.get(entry.what)
    if word is None or tub is None:
        return
    at = entry.time - state.shift
    until = -1 if entry.until is None else entry.until - state.shift
    tub.deeds = [d for d in tub.deeds if d[1] != entry.replaces][-199:]
    tub.deeds.append((at, entry.id, entry.what, until))
    # Entries come in the order in which they are written, and some are written late.
    tub.deeds.sort(key=lambda deed: deed[0])
    _note_stage(state, entry, now)
    if word.opens or word.restarts_memory:
        for probe in state.judged_probes(tub.name):
            probe.disturbed(now)
    quiet = [Explained(kind, _quiet_until(state, tub, word, kind, at, now), at, tub.name) for kind in word.suppresses]
    act(state, None, quiet, now)
    # A correction may take a change of levers back.
    if word.lever is not None or entry.replaces is not None:
        for probe in state.judged_probes(tub.name):
            act(state, probe, advised_anew(View(state, probe, now)), now)
    if word.restarts_memory:
        for probe in state.judged_probes(tub.name):
            begin_anew(state, probe, now, another=word.probe)
            act(state, probe, map(FaultOver, _COMPARED), now)


def _quiet_until(state: JudgeState, tub: EnclosureState, word: JournalWord, kind: Kind, at: int, now: int) -> int:
    """Return until when a deed explains a kind: what is written may be wrong, and the bound of doubt holds for that, too."""
    seconds = min(word.seconds, SOON_BACK_SECONDS) if kind in SOON_BACK and not word.long else word.seconds
    delays = state.limits(tub).delays
    minutes = {"dry": delays.dry_tolerable_minutes, "damp": delays.damp_tolerable_minutes, "cold": delays.cold_minutes}
    if kind == "dry" or kind == "damp" or kind == "cold":
        seconds = min(seconds, round(60 * minutes[kind]) + DOUBT_SECONDS[kind] - BEFORE_SECONDS)
    return min(min(at, now) + seconds, now + LONGEST_SUPPRESSION_SECONDS)


def _note_stage(state: JudgeState, entry: JournalEntry, now: int) -> None:
    """Keep what an entry says of stages and moves, as long as it can matter, in order of time."""
    touched = {place for row in state.stage_deeds if row[0] == entry.replaces for place in _near(state, row[2])}
    if touched or entry.what in STAGE_WORDS:
        kept = [row for row in state.stage_deeds if row[0] != entry.replaces]
        if entry.what in STAGE_WORDS:
            insort(kept, (entry.id, *stage_deed(entry, state.shift)), key=lambda row: row[1])
            lasting = (*MOVES, *ENDLESS_WORDS)
            kept = [row for row in kept if row[3] in lasting or now - row[1] < _STAGES_KEPT_SECONDS]
        state.keep_stages(kept[-_STAGES_KEPT:])
        if entry.what in STAGE_WORDS:
            touched |= _near(state, entry.enclosure or "")
    restage(state, touched, now, entry.who or "journal")


def _near(state: JudgeState, enclosure: str) -> set[str]:
    return neighbours((StageDeed(*row[1:]) for row in state.stage_deeds), enclosure)


def restage(state: JudgeState, enclosures: Iterable[str], now: int, who: str) -> None:
    """Recompute the stages and timed bands of some enclosures; a change of limits is logged and reverts by itself."""
    held = holding((StageDeed(*row[1:]) for row in state.stage_deeds), now)
    for place in sorted(enclosures):
        tub = state.enclosures.get(place)
        if tub is not None:
            _set_held(state, tub, held.get(place, NOTHING_HOLDS), now, who)


def _set_held(state: JudgeState, tub: EnclosureState, held: Holding, now: int, who: str) -> None:
    for over, known in ((held.stage_over, tub.stage_until), (held.band_over, tub.band_until)):
        if over not in (-1, known):
            state.set_timer(over, "stage", tub.name)
    if (held.stage, held.band) != (tub.stage, tub.band):
        before = state.limits(tub)
        changes = [
            f"{name} {was or 'usual'} -> {now_held or 'usual'}"
            for name, was, now_held in (("stage", tub.stage, held.stage), ("limits for a time", tub.band, held.band))
            if was != now_held
        ]
        tub.stage, tub.band = held.stage, held.band
        log(state, now, tub.name, who, "; ".join(changes), limits_difference(before, state.limits(tub)))
        apply_limits(state, tub, now)
    tub.stage_until, tub.band_until = held.stage_over, held.band_over
