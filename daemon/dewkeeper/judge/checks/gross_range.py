"""`gross_range`: what the sensor cannot mean, and jumps no air makes. QARTOD's gross range and rate of change tests.

`rate_of_change` suspects a jump until the next reading agrees with it; then both count. So a single rubbish word is never
counted, while fast heat (5 °C a minute) passes untouched and a step of heat counts at its second reading. Among garbled
answers (`burst`) one damaged word in 256 looks whole: there a reading counts only with a neighbour that agrees with it.
"""

from __future__ import annotations

from dataclasses import field
from enum import Enum
from typing import Final

from dewkeeper.judge.contract import RECOVERY_SECONDS, Check, InFault
from dewkeeper.judge.dump import remembered
from dewkeeper.judge.memory import NEVER, Corrected, ProbeMemory
from dewkeeper.judge.rationale import fault
from dewkeeper.judge.view import View

T_SPAN: Final = (-40.0, 125.0)
H_SPAN: Final = (0.5, 105.0)
"""Fail span: the sensor's own (data sheet). 0 % is a dead word; a little above 100 % is a calibrated probe in fog."""
T_JUMP_C: Final = 8.0  # per minute; a stuck heater makes 5
AGREE_C: Final = 3.0
"""Two temperatures that agree so well always count, whatever came before: heat is not argued away."""
H_JUMP_PERCENT: Final = 20.0  # a mist stream makes 15 per minute
_H_JUMP_SLOW_PERCENT: Final = 30.0
"""Over more than a poll and a half. Tuned on bench, seeds 1-9."""
_NEAR_PERCENT: Final = 12.0
BURST_T_C: Final = 3.0
BURST_H_PERCENT: Final = 8.0
"""Neighbours in a burst agree within this, whatever the time between them. Two readings of heat always do within 3 °C."""
RUBBISH_TOLD: Final = 5
RUBBISH_POLLS: Final = 60
"""So many polls of rubbish within so many polls are a fault: five in a row, or one in ten within an hour or two. Common practice, no source."""


class Jump(Enum):
    """What becomes of a reading that does not follow from the one before."""

    COUNTS = 0
    COUNTS_BOTH = 1
    WAITS = 2


@remembered
class GrossRangeMemory(ProbeMemory):
    """rubbish: when it last gave what no air does, five times at most. waits_*: a suspect reading that waits for the next to agree."""

    rubbish: list[int] = field(default_factory=list)
    waits_at: int = NEVER
    waits_h: float = 0.0
    waits_t: float = 0.0

    @property
    def waiting(self) -> tuple[int, float, float]:
        """The reading that waits: when, °C, %RH."""
        return self.waits_at, self.waits_t, self.waits_h

    def settled(self) -> None:
        """Nothing waits any more."""
        self.waits_at = NEVER

    def borne_out(self, at: int) -> None:
        """The reading that waited counts: a jump that stayed is the air's."""
        if self.rubbish and self.rubbish[-1] == at:
            del self.rubbish[-1]

    def correct(self, by: Corrected) -> None:
        if self.waits_at != NEVER:
            self.waits_t, self.waits_h = self.waits_t + by.warmer_c, by.humidity(self.waits_h)

    disbelieved = let_go = settled

    def fault_over(self, kind: str) -> None:
        if kind == "gross_range":
            self.rubbish = []


def note_rubbish(view: View, *, stated: bool = False) -> tuple[InFault, ...]:
    """A poll gave what the sensor cannot mean (stated), or a jump no air makes: once is nothing, again and again is a fault.

    A jump that the next reading bears out is taken back.
    """
    memory = view.probe.memory(GrossRangeMemory)
    memory.rubbish = [*memory.rubbish[1 - RUBBISH_TOLD :], view.now]
    many = len(memory.rubbish) == RUBBISH_TOLD and view.now - memory.rubbish[0] < RUBBISH_POLLS * view.poll
    if "gross_range" in view.probe.faults or many:
        return (InFault("gross_range", memory.rubbish[0], stated=stated),)
    return ()


def rare(view: View) -> bool:
    """Return whether the last rubbish came in fewer than every other poll: heat seen by nine polls of ten is not argued away."""
    rubbish = view.probe.memory(GrossRangeMemory).rubbish
    return bool(rubbish) and rubbish[-1] - rubbish[0] > 2 * (len(rubbish) - 1) * view.poll


def _recovery(view: View) -> int:
    # What came every ten minutes is not over after five.
    return RUBBISH_POLLS * view.poll if rare(view) else RECOVERY_SECONDS


def jump(view: View, t: float, h: float) -> Jump:
    """Suspect a jump no air makes, until another reading agrees with it; both count then."""
    memory, air = view.probe.memory(GrossRangeMemory), view.probe.air
    seconds = view.now - air.seen
    if seconds > view.hold:
        if memory.waits_at != NEVER:  # no two agreed for a while; perhaps these do
            return _with_the_waiting(view, t, h, T_JUMP_C, _NEAR_PERCENT, else_=Jump.COUNTS)
        return Jump.COUNTS
    minutes = seconds / 60 if seconds > 60 else 1.0
    limit_h = H_JUMP_PERCENT if seconds <= 90 else _H_JUMP_SLOW_PERCENT
    if -T_JUMP_C * minutes <= t - air.t <= T_JUMP_C * minutes and -limit_h <= h - air.h <= limit_h:
        if memory.waits_at == NEVER:
            return Jump.COUNTS
        # Over two polls it is no jump. It bears out the one that waited when near it, or when that lies on its way up.
        rises = air.t - 0.5 <= memory.waits_t <= t + 0.5
        return _with_the_waiting(view, t, h, T_JUMP_C if rises else AGREE_C, _NEAR_PERCENT, else_=Jump.COUNTS)
    if _still_hot(view, t):
        return Jump.COUNTS
    waited = max(60, view.now - memory.waits_at) / 60
    return _with_the_waiting(view, t, h, T_JUMP_C * waited, _NEAR_PERCENT * min(waited, 2.0), else_=Jump.WAITS)


def alone(view: View, t: float, h: float) -> Jump:
    """Suspect, among garbled answers, a reading that no neighbour agrees with."""
    air = view.probe.air
    if view.now - air.seen <= view.hold:
        if abs(t - air.t) <= BURST_T_C and abs(h - air.h) <= BURST_H_PERCENT:
            return Jump.COUNTS
        if _still_hot(view, t):
            return Jump.COUNTS
    return _with_the_waiting(view, t, h, BURST_T_C, BURST_H_PERCENT, else_=Jump.WAITS)


def _still_hot(view: View, t: float) -> bool:
    """Return whether a temperature and the last one that counted are both too hot and agree, whatever humidity does."""
    last = view.probe.air.t
    # The sides are dry, damp, hot and cold, in this order.
    return bool(view.probe.sides) and min(t, last) > view.probe.sides[2].limit and abs(t - last) <= AGREE_C


def _with_the_waiting(view: View, t: float, h: float, near_t: float, near_h: float, *, else_: Jump) -> Jump:
    """Return that both count where a reading agrees with the one that waits; else it waits itself, for what it is worth.

    Where both are too hot their humidities need not agree: heat is not argued away.
    """
    memory = view.probe.memory(GrossRangeMemory)
    # The third side is heat's.
    hot = bool(view.probe.sides) and min(t, memory.waits_t) > view.probe.sides[2].limit
    close = abs(t - memory.waits_t) <= near_t and (hot or abs(h - memory.waits_h) <= near_h)
    if view.now - memory.waits_at <= view.hold and close:
        return Jump.COUNTS_BOTH
    memory.waits_at, memory.waits_t, memory.waits_h = view.now, t, h
    return else_


CHECK: Final = Check(
    "gross_range",
    {
        "gross_range": fault(
            "impossible values", "wiring or a dying probe", "check the cable, replace the probe", "failure"
        )
    },
    GrossRangeMemory,
    recovery=_recovery,
)
