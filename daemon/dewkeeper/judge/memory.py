"""What a check or a detector remembers of a probe, and what reaches every memory, whoever wrote it.

All times in a memory are elapsed seconds, so a step of the wall clock reaches none. A calibration, an exchange and a retirement
reach all of them by the methods here: no module knows another's memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar

from dewkeeper.air import saturation_hpa

NEVER: Final = -(10**12)
"""An elapsed time before everything."""

ReadingCorrection = tuple[int, float, float, float]
"""Since when (elapsed seconds), °C and %RH added, and what the humidity is multiplied by first."""
UNCORRECTED: Final[ReadingCorrection] = (NEVER, 0.0, 0.0, 1.0)
"""Nothing added, times one."""


@dataclass(frozen=True, slots=True)
class Corrected:
    """A change of a probe's correction: what was read before, as if it had always been corrected so.

    t: °C of the last reading, as it was.
    """

    old: ReadingCorrection
    new: ReadingCorrection
    t: float

    @property
    def warmer_c(self) -> float:
        """By how many °C more it reads."""
        return self.new[1] - self.old[1]

    def humidity(self, h: float) -> float:
        """Return what a humidity, %RH, would have been read as."""
        return min(100.0, max(0.0, (h - self.old[2]) / self.old[3] * self.new[3] + self.new[2]))

    def vapour(self, t: float, e: float) -> tuple[float, float]:
        """Return what °C and hPa would have been read as."""
        warm = t + self.warmer_c
        return warm, self.humidity(100.0 * e / saturation_hpa(t)) * 0.01 * saturation_hpa(warm)


class ProbeMemory:
    """What one check or detector keeps of one probe; a subclass names its fields, with what they are at first, and is `remembered`."""

    __slots__ = ()

    def correct(self, by: Corrected) -> None:
        """The probe is corrected otherwise: put what is kept as if it always had been."""

    def correct_room(self, warmer_c: float) -> None:
        """The room's probe is read warmer by so much, and always was."""

    def begin_anew(self) -> None:
        """The probe, the heat or the place is another: what was usual is learned anew."""

    def another(self) -> None:
        """It is another sensor, or lies elsewhere: what was known of the sensor itself is of the one before."""

    def in_fault(self, kind: str) -> None:
        """A fault of the probe was named."""

    def fault_over(self, kind: str) -> None:
        """A fault of the probe is over."""

    def disbelieved(self) -> None:
        """What was read of late counts for nothing, for a fault was named."""

    def let_go(self) -> None:
        """The probe is retired or hangs here no more: nothing of it waits or runs."""


M = TypeVar("M", bound=ProbeMemory)
