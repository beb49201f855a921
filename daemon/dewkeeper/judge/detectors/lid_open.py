"""`lid_open`: an opened enclosure that is not on its way back was not closed. And what a misting or an opening explains.

Everything compares vapour pressure, not humidity, and compares a probe with its own past and with its room. Water and
open lids are suppressed by design for a bounded time: they explain a while, never a day, and never heat.
"""

from __future__ import annotations

from collections.abc import Iterator
from statistics import median
from typing import Final

from dewkeeper.judge.checks.displaced import near_since
from dewkeeper.judge.contract import Detector, Explained, Finding, Findings, Over, Stands, TimedAnew, Unexplained
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER, Corrected, ProbeMemory
from dewkeeper.judge.probe_past import TRAIL_SECONDS
from dewkeeper.judge.rationale import Rationale
from dewkeeper.judge.view import ProbeView, View

RISE: Final = 1.08  # in five minutes: faster than a bowl can evaporate into a tub
FALL: Final = 0.93
LEAST_SWINGS: Final = 1.2
"""In five minutes, and so many times what a thermostat makes here every hour. Tuned on bench, seeds 1-9."""
_WARMER_C: Final = 2.0  # a misting cools; what warms by more is no misting
AGAIN_SECONDS: Final = 4 * 3600
"""Signs within so long of each other explain no more than the first did: suppression stays bounded."""
MIST_SECONDS: Final = 2 * 3600
"""A rise after misting that is gone in an hour or two is nothing; past two hours it is told as usual."""
OPENING_SECONDS: Final = 3600
"""As `journal_words.SOON_BACK_SECONDS`."""
RESTORE_SECONDS: Final = 2700
"""An opened tub that is not on its way back by then was not closed; the fall itself may take `_NO_COOLER_SECONDS` of it."""
GIVE_UP_SECONDS: Final = 4 * 3600
"""What was not told of an opening by then was none."""
_VAPOUR_ALONE_SECONDS: Final = 600
_NO_COOLER_SECONDS: Final = 1200
_DRYING_OFF_SECONDS: Final = 3 * 3600
"""Seconds and shares without a source: tuned on bench, seeds 1-9."""


@remembered
class LidMemory(ProbeMemory):
    """misted, opened: when the air last showed it. restored: closed again, or no opening at all.

    open_e, open_t: vapour and temperature before; open_low: the lowest temperature of the day before. low_e, low_at: the
    least vapour since, and when; fell_by: by how much it fell within twenty minutes.
    """

    fell_by: float = 0.0
    low_at: int = NEVER
    low_e: float = 0.0
    misted: int = NEVER
    open_e: float = 0.0
    open_low: float = 0.0
    open_t: float = 0.0
    opened: int = NEVER
    restored: bool = True

    def correct(self, by: Corrected) -> None:
        self.open_t, self.open_e = by.vapour(self.open_t, self.open_e)
        self.low_e = by.vapour(by.t, self.low_e)[1]
        self.fell_by = max(0.0, self.open_e - self.low_e) if self.fell_by else 0.0
        self.open_low += by.warmer_c

    def in_fault(self, kind: str) -> None:
        """A probe that fell out says nothing about the lid."""
        if kind == "displaced":
            self.restored = True


def opened(probe: ProbeView) -> int:
    """Return when the air last showed that it was opened."""
    return probe.memory(LidMemory).opened


def misted(probe: ProbeView) -> int:
    """Return when the air last showed that it was misted."""
    return probe.memory(LidMemory).misted


def jumped(view: View, t: float, e: float) -> Iterator[Finding]:
    """A counted reading differs much from one up to five minutes older: water, or an open lid?"""
    memory, past, now = view.probe.memory(LidMemory), view.probe.past, view.now
    _, t0, e0 = past.trail[0]
    if e > RISE * e0 and e - e0 > LEAST_SWINGS * past.usual_range and t < t0 + _WARMER_C:
        if now - memory.misted > AGAIN_SECONDS:
            memory.misted = now
        yield Explained("damp", memory.misted + MIST_SECONDS)
        return
    room = view.room
    # Without the room's air to compare with, a sudden fall is told like any other: nothing explains it.
    if e0 - e < LEAST_SWINGS * past.usual_range or room is None:
        return
    if e < FALL * e0 and room.air.e < e0 and room.air.t < t0 + 1.0:
        if now - memory.opened > AGAIN_SECONDS:
            memory.opened, memory.open_e, memory.open_t, memory.restored = now, e0, t0, False
            memory.open_low = past.low_c if past.learned else t0 - 0.5
            memory.low_e, memory.low_at, memory.fell_by = e, now, e0 - e
        elif memory.restored:
            return  # it was closed again, or no opening at all: what falls now is not explained
        yield Explained("cold", memory.opened + OPENING_SECONDS)
        yield Explained("dry", memory.opened + OPENING_SECONDS)


def look(view: View) -> Findings:
    """Every five minutes: is an opened enclosure on its way back?"""
    memory = view.probe.memory(LidMemory)
    return () if memory.restored else _on_its_way(view, memory)


def _on_its_way(view: View, memory: LidMemory) -> Iterator[Finding]:
    probe, now = view.probe, view.now
    if memory.low_e > probe.air.e or memory.low_at < memory.opened:
        memory.low_e, memory.low_at = probe.air.e, now
    drop, since = memory.open_e - memory.low_e, now - memory.opened
    if since <= _NO_COOLER_SECONDS:
        memory.fell_by = drop
    closed = probe.air.e - memory.low_e >= 0.5 * drop or probe.air.e >= FALL * memory.open_e
    if closed or (since > GIVE_UP_SECONDS and not view.stands("lid_open")):
        memory.restored = True
        if closed:
            # What was too dry or too cold only since it stood open was the room's air; it is seen up to five minutes late.
            yield TimedAnew(("dry", "cold"), memory.opened - TRAIL_SECONDS)
        yield Over("lid_open")
        return
    yield from _explains_less(view, memory)
    room = view.room
    too_warm = probe.air.t > min(memory.open_t - 0.5, memory.open_low)
    if memory.restored or since < RESTORE_SECONDS or probe.faults or too_warm or room is None:
        return
    if _still_open(probe, memory, room, now - RESTORE_SECONDS + _NO_COOLER_SECONDS):
        yield Stands(
            "lid_open", memory.opened, round(probe.air.h, 1), cause="the air is still the room's after an opening"
        )


def _explains_less(view: View, memory: LidMemory) -> Iterator[Finding]:
    """Take back what an opening seemed to explain, where it did not cool as an open lid does."""
    since, until = view.now - memory.opened, memory.opened + OPENING_SECONDS
    if _VAPOUR_ALONE_SECONDS <= since < RESTORE_SECONDS and view.probe.air.t > memory.open_t - 0.4:
        # An open lid cools too. Vapour alone fell: a bowl ran dry, and that is told on time.
        memory.restored = True
        yield Unexplained("cold", until)
        yield Unexplained("dry", until)
    elif since >= _NO_COOLER_SECONDS:
        lowest = min(t for at, t, _ in view.probe.past.looks if at >= memory.opened)
        if lowest > memory.open_low:
            # No cooler than its thermostat makes it every hour: perhaps no opening at all, and `dry` is told on time.
            yield Unexplained("dry", until)


def _still_open(probe: ProbeView, memory: LidMemory, room: ProbeView, since: int) -> bool:
    """Return whether the air fell most of its way to the room's, and has stayed there since a time at least."""
    past, air = probe.past, probe.air
    if memory.opened - memory.misted < _DRYING_OFF_SECONDS or near_since(probe) != NEVER:
        return False  # while a misting dries off, a fall proves no lid
    if past.learned and memory.open_t > median(hour[1] for hour in past.hours) + 2.0:
        return False  # it came down from a heat it is not used to, and its vapour with it
    excess = memory.open_e - room.air.e
    if past.learned:
        excess = min(excess, past.usual_de)  # what was more than usual was a misting's, and dries off by itself
    mixed = memory.low_e - room.air.e < 0.5 * excess and memory.fell_by >= 0.35 * excess
    drop, back = memory.open_e - memory.low_e, air.e - memory.low_e
    # A snake that leaves its probe makes it fall as well, part of the way; a lid opened soon after is open since then.
    stayed = all(e - room.air.e < 0.45 * excess for at, _, e in past.looks if at >= since)
    return mixed and -1.0 < air.e - room.air.e < 0.45 * excess and back < 0.25 * drop and stayed


DETECTOR: Final = Detector(
    "lid_open",
    {
        "lid_open": Rationale(
            "not closed again", "the air is still the room's after an opening", "drying and cooling; a snake may escape",
            "see that the snake is in, close it unless you opened it against heat; check the lock; snake gone: shut the room's door, search low and warm places", 15 * 60, "medium",
        ),
    },
    LidMemory,
    look=look,
)  # fmt: skip
