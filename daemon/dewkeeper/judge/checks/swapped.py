"""`swapped`: two probes that read each other's enclosure.

A tub is known by four things that stay for days: its temperature, its vapour, and how much its thermostat makes either
swing within an hour. When two probes of a room were both disturbed at the same time and each then reads what the other
read before, they were exchanged. A tub is given hours to settle, so the name comes some nine hours after the deed; until
then a suspicion holds back what would be told from the readings of the wrong tub.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import hypot, log
from statistics import median
from typing import Final
from urllib.parse import unquote

from dewkeeper.judge.contract import Check, FaultOver, Finding, Findings, InFault, OtherAir
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.probe_past import Hour, Look
from dewkeeper.judge.rationale import HOUR, TYPED, fault
from dewkeeper.judge.view import ProbeView, View

LONGEST_SECONDS: Final = 3 * 86400
"""So long a swap is believed; then the levels they have are their own."""

_BEFORE_HOURS: Final = ((32, 24), (24, 12))
"""What it was before, hours ago: the same hours of yesterday, for lamps, nights and daily mistings; or the half day before."""
_AFTER_HOURS: Final = 8
_TOGETHER_SECONDS: Final = 5400
_GLIMPSE_SECONDS: Final = 4500
_GLIMPSE_HOURS: Final = 14
_FEWEST_LOOKS: Final = 6
_FEWEST_BEFORE, _FEWEST_AFTER = 5, 3
_OPEN_SECONDS: Final = (_BEFORE_HOURS[0][1] + 1) * 3600
"""So long after a deed it is open whether probes were exchanged in it: as long as one may still be named."""
_ALIKE: Final = 1.1
"""Tubs no further apart, in units of their own wandering, are told of rightly by the other's probe."""
_PLAIN: Final = 2.2
"""So far apart, in units, two prints tell two tubs."""
_REST: Final = 0.6
"""The share of their distance that may be left unexplained."""
_NEAR: Final = 1.2
"""How close, in units, each level must come to what the other's was."""
_TURNED: Final = -0.25
"""The share of a difference, the other way round, that there is some hours after a deed that turned it. By sense, no source; not tuned."""
_WARMER: Final = 2.0
"""So far apart, in units, warmth alone tells two tubs."""

"""All of these tuned on bench, seeds 1-9; they were retuned more often than any others, so do not trust their last digit.
That warmth alone tells what `_WARMER` says was looked at on seeds 53 and 118."""

Print = tuple[float, float, float, float]
Apart = tuple[float, float]
_UNITS: Final[Print] = (0.6, 1.2, 0.5, 0.6)
"""How far a tub's own print wanders from day to day: °C, hPa, and the logarithms of the hourly ranges."""


@remembered
class SwappedMemory(ProbeMemory):
    """note: of a sensor that is not the position's own, while it has one."""

    note: str = ""

    def let_go(self) -> None:
        self.note = ""


def stranger(probe: ProbeView) -> str:
    """Return the note of a sensor that is not the position's own, empty for its own."""
    return probe.memory(SwappedMemory).note


def note_stranger(view: View, note: str) -> tuple[bool, Findings]:
    """Heed whether the sensor of a position is its own, `note` being empty when it is; return whether it was exchanged, and what follows.

    Another one may hang in another enclosure: until the keeper says that it belongs here, its humidity counts for
    nothing, and what was usual here is learned anew. Its heat counts: it is some enclosure's.
    """
    memory = view.probe.memory(SwappedMemory)
    before, memory.note = memory.note, note
    if not note:
        return bool(before), (FaultOver("swapped"),) if before else ()
    if "swapped" in view.probe.faults:
        return False, ()
    name, other = view.probe.name, unquote(note.partition(":")[2])
    found = InFault(
        "swapped", view.now, {"with": other, "sure": "very"} if other else {"sure": "very"},
        cause=f"at {name} answers the sensor recorded for {other}" if other else f"{name} has another sensor",
        response=f"put back what was exchanged; {TYPED}: `dewkeeper probes check` says which sensor is where, "
        f"`dewkeeper probes replace {name}` accepts what is there",
    )  # fmt: skip
    return True, (found,)


def partner(view: View) -> ProbeView | None:
    """Return the probe with which this one is believed to have changed places; None where nobody knows."""
    note, alarm = stranger(view.probe), view.alarm("swapped")
    name = unquote(note.partition(":")[2]) if note else alarm.detail.get("with") if alarm is not None else None
    return next((w for w in view.probes if w.name == name), None)


def still_swapped(view: View) -> bool:
    """Return whether a swap is still believed."""
    return bool(stranger(view.probe)) or view.now - view.probe.faults["swapped"][0] < LONGEST_SECONDS


def print_of(hours: Sequence[Hour]) -> Print:
    """Return the print of some hours, in units of its own wandering."""
    range_t, range_e = median(h[3] - h[4] for h in hours), median(h[5] for h in hours)
    return (
        median(h[1] for h in hours) / _UNITS[0], median(h[2] for h in hours) / _UNITS[1],
        log(0.1 + max(0.0, range_t)) / _UNITS[2], log(0.5 + max(0.0, range_e)) / _UNITS[3],
    )  # fmt: skip


def _in_warmth(mine: Print, theirs: Print) -> float:
    """Return how far two prints lie apart in temperature and its swings: a thermostat's habits."""
    return hypot(2 * (mine[0] - theirs[0]), mine[2] - theirs[2])


def _warmth_crossed(mine: tuple[Print, Print], theirs: tuple[Print, Print]) -> bool:
    """Return whether two probes took each other's warmth and swings exactly, whatever moisture did: a tub's dries off for days."""
    usual = _in_warmth(mine[0], theirs[0])
    left = max(_in_warmth(mine[1], theirs[0]), _in_warmth(theirs[1], mine[0]))
    return usual >= _WARMER and left <= 0.25 * usual


def _crossed(mine: tuple[Print, Print], theirs: tuple[Print, Print]) -> bool:
    """Return whether two probes, each with its print before and after, took each other's place."""
    before = [a - b for a, b in zip(mine[0], theirs[0], strict=True)]
    after = [a - b for a, b in zip(mine[1], theirs[1], strict=True)]
    size, levels = hypot(*before), hypot(before[0], before[1])
    if size < _PLAIN or levels < _ALIKE:
        return False
    # Moisture alone may well change places by chance, a misting here and a dry bowl there; a thermostat's habits do not.
    # So each must be nearer in warmth to what the other was than to what it was itself.
    usual = _in_warmth(mine[0], theirs[0])
    if usual < 0.6 or any(
        _in_warmth(now, was) <= _in_warmth(now, its) for (was, now), (its, _) in ((mine, theirs), (theirs, mine))
    ):
        return False
    left = hypot(*(a + b for a, b in zip(before, after, strict=True)))
    left_levels = hypot(before[0] + after[0], before[1] + after[1])
    common = hypot(*(0.5 * (mine[1][i] + theirs[1][i] - mine[0][i] - theirs[0][i]) for i in (0, 1)))
    apart = max(max(abs(mine[1][i] - theirs[0][i]), abs(theirs[1][i] - mine[0][i])) for i in (0, 1))
    return left <= _REST * size and left_levels <= _REST * levels and common <= 0.5 * levels and apart <= _NEAR


def _at_a_deed(
    mine: tuple[Print, Print],
    theirs: tuple[Print, Print],
    probe: ProbeView,
    other: ProbeView,
    deeds: Sequence[int],
    i: int,
) -> bool:
    """Return whether what told two tubs apart, warmth (`i` 0) or vapour (1), turned round at one of the deeds: not before, nor hours later.

    What was over by then was no tub's own: a snake lay at the probe, a heater was stuck. What turned only later did so
    untouched: the one dried, the other was misted. What is not known is no evidence against it.
    """
    usual = mine[0][i] - theirs[0][i]
    for at in deeds:
        both = [at, *_close(at, other)]
        first, last = min(both), max(both)
        then, since = _hours_apart(probe, other, first // 3600 - 3, 3), _hours_apart(probe, other, last // 3600 + 2, 3)
        if then is not None and not _stays(then[-1][i], usual):
            # A lamp's warmth comes and goes by the clock.
            day_before = None if i else _hours_apart(probe, other, first // 3600 - 27, 3)
            if day_before is None or abs(then[-1][i] - day_before[-1][i]) > 0.5 * abs(usual):
                continue
        if since is not None and median(apart[i] for apart in since) * usual > _TURNED * usual * usual:
            continue
        return True
    return False


def _stays(now: float, usual: float) -> bool:
    return 2 * now * usual >= usual * usual


def _hours_apart(probe: ProbeView, other: ProbeView, first: int, count: int) -> list[Apart] | None:
    """Return how far two probes lay apart in each of so many hours that is known of both; None where none is."""
    mine, theirs = ({h[0]: h for h in w.past.within(first, first + count)} for w in (probe, other))
    return [_apart(mine[n], theirs[n]) for n in sorted(mine.keys() & theirs.keys())] or None


def hourly(view: View) -> Iterator[Finding]:
    """A new hour of a probe begins: has it changed places with another?"""
    probe = view.probe
    for before in _BEFORE_HOURS:
        other = _exchanged_with(view, before)
        if other is None:
            continue
        since = _turned(probe, other, view.now)
        back = "swapped" in probe.faults
        for one, two in ((probe, other), (other, probe)):
            yield OtherAir(one, since)
            if back:
                yield FaultOver("swapped", one)
            else:
                yield InFault("swapped", since, {"with": two.name, "sure": "fairly"}, probe=one)
        return


def _exchanged_with(view: View, before: tuple[int, int]) -> ProbeView | None:
    """Return the probe with which this one changed places since some hours ago, if any."""
    probe, now = view.probe, view.now
    hour = now // 3600
    first, last = (hour - before[1] - 1) * 3600, (hour - _AFTER_HOURS + 1) * 3600
    if not any(first <= at <= last for at in probe.breaks):
        return None  # never touched then, so not swapped: nearly always, and a print costs more than a hundred readings
    mine = _halves(probe, now, before)
    if mine is None or hypot(*(a - b for a, b in zip(*mine, strict=True))) < 1.5:
        return None
    named = "swapped" in probe.faults  # and put back only if all of it says so, though the hand left no trace
    for other in view.neighbours:
        if other is probe or other.faults.keys() != probe.faults.keys() or stranger(probe) or stranger(other):
            continue  # serial numbers tell it better
        deeds = _together(probe, other, first, last)
        theirs = _halves(other, now, before) if deeds else None
        if theirs is None:
            continue
        deeds = _together(
            probe, other, first, (hour - 3) * 3600
        )  # half the hours after are enough to turn their middle
        if (
            not named
            and _warmth_crossed(mine, theirs)
            and not _as_warm_yesterday(probe, other, now)
            and _at_a_deed(mine, theirs, probe, other, deeds, 0)
        ):
            return other
        rather = 0 if abs(mine[0][0] - theirs[0][0]) >= abs(mine[0][1] - theirs[0][1]) else 1
        if (
            not _so_yesterday(probe, other, now)
            and _crossed(mine, theirs)
            and (named or _at_a_deed(mine, theirs, probe, other, deeds, rather))
        ):
            return other
    return None


def _halves(probe: ProbeView, now: int, before: tuple[int, int]) -> tuple[Print, Print] | None:
    hour = now // 3600
    earlier = probe.past.within(hour - before[0], hour - before[1])
    after = probe.past.within(hour - _AFTER_HOURS, hour)
    if len(earlier) < _FEWEST_BEFORE or len(after) < _FEWEST_AFTER:
        return None
    return print_of(earlier), print_of(after)


def _together(probe: ProbeView, other: ProbeView, first: int, last: int) -> list[int]:
    """Return when both were disturbed at the same time within a span: nobody swaps probes without touching both."""
    return [at for at in probe.breaks if first <= at <= last and _close(at, other)]


def _close(at: int, other: ProbeView) -> list[int]:
    return [there for there in other.breaks if abs(at - there) <= _TOGETHER_SECONDS]


def _just_before(probe: ProbeView, other: ProbeView, at: int, back: int = 0) -> Apart | None:
    """Return how far two probes lay apart in the hours just before a deed, or so many hours earlier; None: not known."""
    hour = at // 3600 - back
    mine, theirs = (w.past.within(hour - 3, hour) for w in (probe, other))
    return _apart(_middle(mine), _middle(theirs)) if mine and theirs else None


def _new_at(probe: ProbeView, other: ProbeView, at: int) -> bool:
    """Return whether two probes differed, just before a deed, the other way round than a day before it.

    Then it is no matter of the time of day how they differ after it.
    """
    lately, day_before = _just_before(probe, other, at), _just_before(probe, other, at, 24)
    return lately is not None and day_before is not None and _opposite(day_before, lately)


def _as_warm_yesterday(probe: ProbeView, other: ProbeView, now: int) -> bool:
    """Return whether the same one was the warmer in the same hours of yesterday, or nothing is known of them."""
    known = _same_hours(probe, other, now)
    return known is None or known[0][0] * known[1][0] > 0


def _so_yesterday(probe: ProbeView, other: ProbeView, now: int) -> bool:
    """Return whether these two may well differ as they did in the same hours of yesterday: it is the night, or a daily misting.

    Where yesterday's hours are not known, neither is whether it is the night.
    """
    known = _same_hours(probe, other, now)
    return known is None or _as_before(*known)


def _same_hours(probe: ProbeView, other: ProbeView, now: int) -> tuple[Apart, Apart] | None:
    """Return how two probes differed in the last hours' same hours of yesterday and in the last hours, None where too few are known."""
    hour = now // 3600
    mine, theirs = ({h[0]: h for h in w.past.hours} for w in (probe, other))
    pairs: list[tuple[Apart, Apart]] = []
    for h in range(hour - _AFTER_HOURS, hour):
        if all(n in known for n in (h, h - 24) for known in (mine, theirs)):
            pairs.append((_apart(mine[h - 24], theirs[h - 24]), _apart(mine[h], theirs[h])))
    if len(pairs) < _FEWEST_AFTER:
        return None
    before, after = ((median(pair[i][0] for pair in pairs), median(pair[i][1] for pair in pairs)) for i in (0, 1))
    return before, after


def _apart(mine: Sequence[float], theirs: Sequence[float]) -> Apart:
    """Return how far two hours or looks lie apart in temperature and vapour, in units of a tub's own wandering."""
    return (mine[1] - theirs[1]) / _UNITS[0], (mine[2] - theirs[2]) / _UNITS[1]


def _opposite(one: Apart, other: Apart) -> bool:
    """Return whether two differences point rather against each other."""
    return one[0] * other[0] + one[1] * other[1] < 0


def _as_before(before: Apart, after: Apart) -> bool:
    """Return whether two probes differ as they did, or at least not the other way round.

    Who changed places shows the other's temperature too: where that difference is what it was, nobody did, whatever the
    vapour does, for a misting comes and goes.
    """
    (t0, e0), (t1, e1) = before, after
    if max(abs(t0), abs(t1)) >= 0.5 and abs(t1 - t0) < abs(t1 + t0):
        return True
    return hypot(t0 + t1, e0 + e1) > 0.7 * hypot(t0, e0)


def _turned(probe: ProbeView, other: ProbeView, now: int) -> int:
    """Return the beginning of the hour after which the difference is no more what it was: of yesterday's hour, else of the first known."""
    hour = now // 3600
    mine, theirs = ({h[0]: h for h in w.past.hours} for w in (probe, other))
    both = [n for n in mine if n in theirs]
    turned = hour - _AFTER_HOURS
    for n in range(hour - 1, hour - 25, -1):
        if n not in both:
            continue
        old = n - 24 if n - 24 in both else both[0]
        if not _opposite(_apart(mine[old], theirs[old]), _apart(mine[n], theirs[n])):
            break
        turned = n
    return turned * 3600


def may_yet_turn_out_swapped(view: View) -> bool:
    """Return whether it is too early to say that this probe did not change places with another.

    Asked of what can wait. After a clean-out all tubs of a room are drier for hours, so all that is asked of two of them,
    touched at the same time, is whether the one is now the warmer or moister that was not. Some nine hours later the
    swap is named or there was none.
    """
    probe, now = view.probe, view.now
    return any(
        _turned_round(probe, other, at, now)
        for other in view.neighbours
        if other is not probe and not other.faults.keys() - {"missing"}
        for at in _together(probe, other, now - _OPEN_SECONDS, now)
    )


def _turned_round(probe: ProbeView, other: ProbeView, at: int, now: int) -> bool:
    """Return whether two probes that differed before a time differ the other way round since, or may yet turn out to."""
    (mine, my_looks), (theirs, their_looks) = (_around(w, at, now) for w in (probe, other))
    if min(len(mine), len(theirs)) < _FEWEST_BEFORE:
        return False
    was = _apart(_middle(mine), _middle(theirs))
    if hypot(*was) < _ALIKE:
        return False
    if min(len(my_looks), len(their_looks)) < _FEWEST_LOOKS:
        return True
    turned = _opposite(was, _apart(_middle(my_looks), _middle(their_looks)))
    return turned and (not _rather_yesterday(probe, other, now, was) or _new_at(probe, other, at))


def _rather_yesterday(probe: ProbeView, other: ProbeView, now: int, was: Apart) -> bool:
    """Return whether the last looks differ rather as a day ago than as what was before a deed, the other way round."""
    hour = now // 3600
    was_read = [w.past.within(hour - 25, hour - 23) for w in (probe, other)]
    is_read = [[look for look in w.past.looks if now - look[0] <= _GLIMPSE_SECONDS] for w in (probe, other)]
    if not all(was_read) or not all(is_read):
        return False  # one of them is not known
    old, new = _apart(*map(_middle, was_read)), _apart(*map(_middle, is_read))
    return hypot(new[0] - old[0], new[1] - old[1]) <= hypot(new[0] + was[0], new[1] + was[1])


def _middle(parts: Sequence[Hour] | Sequence[Look]) -> tuple[float, float, float]:
    return 0.0, median(part[1] for part in parts), median(part[2] for part in parts)


def _around(probe: ProbeView, at: int, now: int) -> tuple[list[Hour], list[Look]]:
    """Return the hours of the half day before a deed and the last looks since."""
    looks = [look for look in probe.past.looks if look[0] > max(at, now - _GLIMPSE_SECONDS)]
    return probe.past.within(at // 3600 - _GLIMPSE_HOURS, at // 3600), looks


CHECK: Final = Check(
    "swapped",
    {
        "swapped": fault(
            "wrong probe", "two probes read each other's enclosure", "swap them back, or their names",
            "function_check", HOUR,
        ),
    },
    SwappedMemory,
    hourly=hourly,
)  # fmt: skip
