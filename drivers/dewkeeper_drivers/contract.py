"""What a probe driver must do, and nothing more.

A driver is one file with one factory `open_probe(config, bus) -> Probe`, listed in `registry.py` or in the entry-point
group `dewkeeper.drivers`. Hold it to `contract_suite.check_probe`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Scale:
    """How 16-bit words become values: value = offset + span * word / 65535. Both spans are above 0.

    A driver may bring its own: it is stored with the probe, as `spelled` says it, and words are read by it for good.
    """

    name: str
    temperature_offset_c: float
    temperature_span_c: float
    humidity_offset_percent: float
    humidity_span_percent: float

    def decode(self, temperature_word: int, humidity_word: int) -> tuple[float, float]:
        """Return °C and %RH, the humidity held to 0..100 as the sensor's data sheet asks."""
        humidity = self.humidity_offset_percent + self.humidity_span_percent * humidity_word / 65535
        return (
            self.temperature_offset_c + self.temperature_span_c * temperature_word / 65535,
            min(100.0, max(0.0, humidity)),
        )

    def encode(self, temperature_c: float, humidity_percent: float) -> tuple[int, int]:
        """Return the words nearest to the values, held to 0..65535; for probes that give no words."""

        def word(value: float, offset: float, span: float) -> int:
            return min(65535, max(0, round((value - offset) * 65535 / span)))

        return (
            word(temperature_c, self.temperature_offset_c, self.temperature_span_c),
            word(humidity_percent, self.humidity_offset_percent, self.humidity_span_percent),
        )


SHT3X = Scale("sht3x", -45.0, 175.0, 0.0, 100.0)  # SHT3x-DIS data sheet v7, section 4.13
SHT4X = Scale("sht4x", -45.0, 175.0, -6.0, 125.0)  # SHT4x data sheet, section 4.6
SCALES = {scale.name: scale for scale in (SHT3X, SHT4X)}
"""Those known by their names alone."""
_WIDEST = 1e6


@lru_cache(maxsize=256)  # asked of every reading
def spelled(scale: Scale) -> str:
    """Return what `scale_of` makes the same scale of: its name, and of a driver's own the four numbers too.

    Raises ValueError for one that gives no values.
    """
    numbers = (
        scale.temperature_offset_c, scale.temperature_span_c, scale.humidity_offset_percent, scale.humidity_span_percent
    )  # fmt: skip
    plausible = all(isinstance(one, int | float) and abs(one) < _WIDEST for one in numbers)  # no infinity, no NaN
    if not plausible or min(numbers[1], numbers[3]) <= 0 or not re.fullmatch(r"[!-~]{1,60}", scale.name):
        raise ValueError(f"{scale} is no scale: a name without spaces, finite numbers, spans above 0")
    if SCALES.get(scale.name) == scale:
        return scale.name
    return " ".join([scale.name, *(repr(float(one)) for one in numbers)])


@lru_cache(maxsize=256)
def scale_of(text: str) -> Scale:
    """Return the scale that a text spells. Raises ValueError for a name alone that is not known here, and for nonsense."""
    name, *numbers = text.split(" ")
    if not numbers:
        if name not in SCALES:
            raise ValueError(f"no scale is called {name!r}; known by name alone: {', '.join(sorted(SCALES))}")
        return SCALES[name]
    scale = Scale(name, *(float(one) for one in numbers)) if len(numbers) == 4 else Scale(name, *(math.nan,) * 4)
    spelled(scale)
    return scale


def spells_a_scale(text: str) -> bool:
    """Return whether a text spells a scale."""
    try:
        scale_of(text)
    except ValueError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Sample:
    """One conversion: both words, 0 to 65535, from the same instant.

    notes: what was seen beside the values: `heater_on`, `reset_seen` (uncommanded reset since the last read),
        `crc_burst` (the bus has damaged so many answers lately that whole ones are suspect too).
    """

    temperature_word: int
    humidity_word: int
    scale: Scale
    notes: tuple[str, ...] = ()

    @property
    def temperature_c(self) -> float:
        """Temperature in °C, not calibrated."""
        return self.scale.decode(self.temperature_word, self.humidity_word)[0]

    @property
    def humidity_percent(self) -> float:
        """Relative humidity in %RH, 0 to 100, not calibrated."""
        return self.scale.decode(self.temperature_word, self.humidity_word)[1]


class Probe(Protocol):
    """An opened probe. Used by one thread at a time; every call is bounded by the bus's deadline."""

    def read(self) -> Sample:
        """Make one conversion and return it. Raises only `ProbeError` and its children."""
        ...

    def serial(self) -> int | None:
        """Return the sensor's serial number, None where it has none. Raises only `ProbeError`."""
        ...

    def close(self) -> None:
        """Release what was opened; safe to call twice. The probe is not used afterwards."""
        ...
