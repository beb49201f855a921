"""One pass of learning over a collection: facts of every enclosure, and the figures its hours ahead are run on with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final, NamedTuple

from dewkeeper.insight.changed import ChangedDay, Finding
from dewkeeper.insight.compared import Compared
from dewkeeper.insight.facts import VERSION, facts_of, held, probe_fact
from dewkeeper.insight.forecast import outlook, study
from dewkeeper.insight.hours import Deed, Hours, hours_of
from dewkeeper.insight.levels import levels
from dewkeeper.insight.outlook import OutlookFigures
from dewkeeper.insight.probe_error import Misreading, comparisons, errors
from dewkeeper.insight.response import LEARNING_DAYS, learn
from dewkeeper.insight.series import DAY_SECONDS, HOUR_SECONDS, Series
from dewkeeper.insight.spots import spot_facts
from dewkeeper.judge.checks.drift import drifted
from dewkeeper.judge.types import Fact, Learned
from dewkeeper.judge.words import JOURNAL

HORIZON_HOURS: Final = 72
_KEPT_MISSES: Final = 30
"""So many past forecasts are kept whole with the figures: enough for a limit's four of five."""
_RENEWED_SECONDS: Final = 8 * DAY_SECONDS
"""Facts that would run out sooner are handed in again though nothing is new: a pass or two may fail."""


OTHER_PROBE: Final = frozenset({"probe_moved", "probe_replaced"})
"""Words after which openings are compared anew: another probe, or another place."""
_EDGE_SECONDS: Final = 3 * HOUR_SECONDS
"""What was kept of the first hours of a series is not found in it again: the air before is missing."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a pass found of one enclosure. compared: openings its probe was compared with the room at, for the next pass."""

    facts: tuple[Fact, ...]
    outlook: OutlookFigures
    compared: Compared = field(default_factory=Compared)


@dataclass(frozen=True, slots=True)
class WasRead:
    """What a pass rests on, by enclosure.

    room_of: the probe of its room, where there is one; rooms: series by that name. compared: what earlier passes kept.
    zero: when the probe was last checked or corrected, UTC seconds; corrected: how both probes are corrected now.
    beside: its other probes, by role.
    """

    tubs: Mapping[str, Series]
    rooms: Mapping[str, Series]
    room_of: Mapping[str, str]
    deeds: Mapping[str, Sequence[Deed]]
    compared: Mapping[str, Compared] = field(default_factory=dict)
    zero: Mapping[str, int] = field(default_factory=dict)
    corrected: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    beside: Mapping[str, Mapping[str, Series]] = field(default_factory=dict)

    def room(self, enclosure: str) -> Series | None:
        """Return the air of an enclosure's room, None without a probe there."""
        return self.rooms.get(self.room_of.get(enclosure, ""))


class Lessons(NamedTuple):
    """What a pass found: by enclosure, and of the rooms' probes what they read wrong by, by the probe."""

    tubs: dict[str, Lesson]
    rooms: dict[str, Fact]


def lessons(read: WasRead, at: int, only: str | None = None) -> Lessons:
    """Return what is learned of every enclosure (or one) from what was read and done up to a time; nothing later is looked at."""
    found = {}
    facts, rooms = facts_at(read, at, only)
    for name, (own, compared) in facts.items():
        figures = hours_ahead(read.tubs[name], read.room(name), read.deeds.get(name, ()), at)
        found[name] = Lesson(own, figures, compared)
    return Lessons(found, rooms)


class FactsAt(NamedTuple):
    """The facts of enclosures with the openings their probes were compared at, and what the rooms' probes read wrong by."""

    tubs: dict[str, tuple[tuple[Fact, ...], Compared]]
    rooms: dict[str, Fact]


def facts_at(read: WasRead, at: int, only: str | None = None) -> FactsAt:
    """Return the facts of every enclosure (or one), and of every room's probe (or none)."""
    at = at // HOUR_SECONDS * HOUR_SECONDS
    compared, wrong, rooms = probes(read, at)
    found = {}
    for name, tub in read.tubs.items():
        if only in (None, name):
            known = _known(tub, read.room(name), read.deeds.get(name, ()), at)
            facts = facts_of(known.tub, known.room, known.done, known.hours, learn(known.hours))
            spots = spot_facts(
                tub.until(at), known.room, read.beside.get(name, {}), read.deeds.get(name, ()), known.begun, at
            )
            found[name] = (*facts, *held(spots, at), probe_fact(wrong[name], at)), compared[name]
    return FactsAt(found, {} if only else {room: probe_fact(error, at) for room, error in rooms.items()})


def first_read(deeds: Mapping[str, Sequence[Deed]], at: int) -> int:
    """Return from when on a pass reads, UTC seconds: six weeks, and six before the oldest change it is to compare."""
    at, longest = at // HOUR_SECONDS * HOUR_SECONDS, LEARNING_DAYS * DAY_SECONDS
    return min((d.at for own in deeds.values() for d in changes(own, at)), default=at) - longest


class ProbesAt(NamedTuple):
    """By enclosure the openings its probe was compared at, and what it reads wrong by, or in words why that is not known;
    by the room's probe the same."""

    compared: dict[str, Compared]
    wrong: dict[str, Misreading | str]
    rooms: dict[str, Misreading | str]


def probes(read: WasRead, at: int) -> ProbesAt:
    """Return what is known of the probes at a time."""
    compared = {name: _compared(read, name, at) for name in read.tubs}
    wrong: dict[str, Misreading | str] = {}
    rooms: dict[str, Misreading | str] = {}
    for room in sorted({read.room_of.get(name, "") for name in read.tubs}):
        inside = {name: compared[name].comparisons for name in read.tubs if read.room_of.get(name, "") == room}
        if room:
            found = errors(inside, at)
            wrong |= found.tubs
            rooms[room] = found.room
        else:
            wrong |= dict.fromkeys(inside, "no probe reads its room, with which it could be compared")
    return ProbesAt(compared, wrong, rooms)


def _compared(read: WasRead, name: str, at: int) -> Compared:
    tub, room, kept = read.tubs[name].until(at), read.room(name), read.compared.get(name, Compared())
    done = [deed for deed in read.deeds.get(name, ()) if deed.at < at]
    zero = max([read.zero.get(name, 0), *(deed.at for deed in done if deed.what in OTHER_PROBE)])
    found = [] if room is None else comparisons(tub, room.until(at), done)
    return kept.grown(found, tub.start + _EDGE_SECONDS, zero, at, read.corrected.get(name, ()))


def begins_anew(deeds: Sequence[Deed]) -> int | None:
    """Return when an enclosure, or the probe in it, last became another one to learn: UTC seconds, None for never."""
    return max(
        (
            d.at
            for d in deeds
            if (word := JOURNAL.get(d.what)) and (word.restarts_memory or d.what.endswith("_changed"))
        ),
        default=None,
    )


@dataclass(frozen=True, slots=True)
class _Known:
    """Of one enclosure what is known at a time, since it last became another one to learn; begun: when that was, None for never."""

    begun: int | None
    tub: Series
    room: Series | None
    done: list[Deed]
    hours: Hours


def _known(tub: Series, room: Series | None, deeds: Sequence[Deed], at: int) -> _Known:
    done = [deed for deed in deeds if deed.at < at]
    tub, beside = tub.until(at), None if room is None else room.until(at)
    changed = begins_anew(done)
    if changed is not None:
        tub = tub.since(changed)
        done = [deed for deed in done if deed.at >= changed]
    return _Known(changed, tub, beside, done, hours_of(tub, beside, done, at, LEARNING_DAYS * 24))


def hours_ahead(tub: Series, room: Series | None, deeds: Sequence[Deed], at: int) -> OutlookFigures:
    """Return the figures an enclosure's hours ahead are run on with, learned up to a time; or in them, why there are none."""
    at = at // HOUR_SECONDS * HOUR_SECONDS
    hours = _known(tub, room, deeds, at).hours
    known, rest = study(hours, HORIZON_HOURS), levels(hours)
    if isinstance(known, str):
        return OutlookFigures(made=at, why=known, levels=rest)
    if known.skill <= 0:
        return OutlookFigures(made=at, why="its past forecasts here were no better than a plain guess", levels=rest)
    return replace(_shortened(outlook(hours, known)), levels=rest)


def findings(
    name: str,
    tubs: Mapping[str, Series],
    room: Series | None,
    deeds: Mapping[str, Sequence[Deed]],
    at: int,
    calibrated: Mapping[str, Sequence[int]] = MappingProxyType({}),
) -> list[Finding]:
    """Return what the changes of an enclosure in the last six weeks did, beside those of its room; the newest first.

    calibrated: as `effect.effect` has it.
    """
    changed = changes(deeds.get(name, ()), at)
    if not changed:
        return []
    from dewkeeper.insight.effect import effect  # scipy, which most nights nobody needs

    found = []
    for deed in changed:
        made = effect(
            name, deed.at, {other: tub.until(at) for other, tub in tubs.items()}, room, deeds, None, calibrated
        )
        if isinstance(made, str):
            found.append(Finding(deed.at, deed.what, why=made, detail=deed.detail))
        else:
            hpa, low, high = (round(v, 3) for v in (made.hpa, made.low, made.high))
            days = tuple(
                ChangedDay(at, round(own, 2), round(without, 2))
                for at, own, without in made.days
                if not math.isnan(own) and not math.isnan(without)
            )
            found.append(
                Finding(
                    deed.at,
                    deed.what,
                    hpa,
                    low,
                    high,
                    made.before,
                    made.after,
                    made.beside,
                    days=days,
                    detail=deed.detail,
                )
            )
    return found


def changes(deeds: Sequence[Deed], at: int) -> list[Deed]:
    """Return the changes that last among what was done in the six weeks before a time, the newest first."""
    recent = (d for d in deeds if d.what.endswith("_changed") and at - LEARNING_DAYS * DAY_SECONDS <= d.at < at)
    return sorted(recent, reverse=True)


def news(found: Sequence[Fact], known: Learned | None, at: int) -> bool:
    """Return whether facts say something that those known do not say: else they need not be stored again."""
    if known is None or known.version != VERSION:
        return True
    before = {fact.quantity: fact for fact in known.facts}
    return before.keys() != {fact.quantity for fact in found} or any(_new(f, before[f.quantity], at) for f in found)


def _new(fact: Fact, before: Fact, at: int) -> bool:
    if (fact.value is None) != (before.value is None):
        return True
    if fact.value is None or before.value is None:
        return False  # withheld as it was; that two decays have become three is no news
    if before.until - at < _RENEWED_SECONDS:
        return True
    if fact.quantity == "probe_error_percent" and drifted(fact) != drifted(before):
        return True  # the judge tells it, or tells it no more
    half = (before.high - before.low) / 2 if before.low is not None and before.high is not None else 0.0
    return abs(fact.value - before.value) > max(0.5 * half, 0.05 * abs(before.value))


def _shortened(figures: OutlookFigures) -> OutlookFigures:
    """Return figures with as many digits as matter, to be stored every night."""

    def short(values: Sequence[float], digits: int = 2) -> tuple[float, ...]:
        return tuple(round(value, digits) for value in values)

    step = max(1, -(-len(figures.misses) // _KEPT_MISSES))
    return replace(
        figures,
        blend=short(figures.blend, 3), constants=short(figures.constants, 4),
        usual_c=short(figures.usual_c), usual_room_hpa=short(figures.usual_room_hpa),
        low=short(figures.low), high=short(figures.high), lift=short(figures.lift, 1),
        misses=tuple(short(row, 1) for row in figures.misses[::step]),
    )  # fmt: skip
