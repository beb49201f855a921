"""`swapped`: two probes that read each other's enclosure.

A tub is known by four things that stay for days: its temperature, its vapour, and how much its thermostat makes either
swing within an hour. When two probes of a room were both disturbed at the same time and each then reads what the other
read before, they were exchanged. A tub is given hours to settle, so the name comes some nine hours after the deed; until
then a suspicion holds back what would be told from the readings of the wrong tub.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import dist, hypot, log
from statistics import median
from typing import Final
from urllib.parse import unquote

from dewkeeper.judge.contract import Check, FaultOver, Finding, Findings, InFault, OtherAir
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import ProbeMemory
from dewkeeper.judge.probe_past import HOURS_KEPT, Hour, Look
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
_OWN: Final = 2.0
"""So many times nearer a probe must be to what the other read than to what it read itself, by the nearest quarter of either's hours.
By sense: from 1.5 to 2 nothing else changed in 5.5 simulated tub-years of another make, nor on bench, seed 21."""
_WARMER: Final = 2.0
"""So far apart, in units, warmth alone tells two tubs."""

"""All of these tuned on bench, seeds 1-9; they were retuned more often than any others, so do not trust their last digit.
That warmth alone tells what `_WARMER` says was looked at on seeds 53 and 118."""

Print = tuple[float, float, float, float]
Apart = tuple[float, float]
Metric = Callable[[Print], tuple[float, ...]]
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
    return dist(_as_warm(mine), _as_warm(theirs))


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
        if _crossed(mine, theirs):
            print_in: Metric = _as_read
        elif not named and _warmth_crossed(mine, theirs):
            print_in = _as_warm
        else:
            continue
        if named or any(_exchanged_at(at, probe, other, now, print_in) for at in deeds):
            return other
    return None


def _exchanged_at(at: int, probe: ProbeView, other: ProbeView, now: int, print_in: Metric) -> bool:
    """Return whether each of two probes reads what the other did, and not what it did itself, and did so soon after a deed at both.

    What reads as it has read itself for a good part of its past lies where it lay: a snake left it, its heater came back,
    its night began as yesterday's did. What turned only hours after the deed did so untouched.
    """
    deed, hour = max(at, *_close(at, other)) // 3600, now // 3600
    first, last = hour - HOURS_KEPT, min(at // 3600, hour - _AFTER_HOURS)
    mine, theirs = ([print_in(print_of([h])) for h in w.past.within(first, last)] for w in (probe, other))
    for one, itself, another in ((probe, mine, theirs), (other, theirs, mine)):
        for begin, end, times in ((hour - _AFTER_HOURS, hour, _OWN), (deed + 2, deed + 5, 1.0)):
            after = one.past.within(begin, end)
            if not after:
                continue
            here = print_in(print_of(after))
            if _nearest_quarter(here, itself) <= times * _nearest_quarter(here, another):
                return False
    return True


def _nearest_quarter(here: tuple[float, ...], past: Sequence[tuple[float, ...]]) -> float:
    """Return within what distance of a print a quarter of earlier ones lies."""
    return sorted(dist(here, then) for then in past)[len(past) // 4]


def _as_read(mine: Print) -> tuple[float, ...]:
    """Return what of a print stays: how far vapour ranges within an hour is a matter of deeds."""
    return mine[:3]


def _as_warm(mine: Print) -> tuple[float, ...]:
    return 2 * mine[0], mine[2]


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


def _apart(mine: Sequence[float], theirs: Sequence[float]) -> Apart:
    """Return how far two hours or looks lie apart in temperature and vapour, in units of a tub's own wandering."""
    return (mine[1] - theirs[1]) / _UNITS[0], (mine[2] - theirs[2]) / _UNITS[1]


def _opposite(one: Apart, other: Apart) -> bool:
    """Return whether two differences point rather against each other."""
    return one[0] * other[0] + one[1] * other[1] < 0


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
