"""Where the snake lies: what a surface thermometer read there, and how humid it is where only warmth is known.

Vapour spreads through an enclosure within minutes, warmth does not: the warm end is drier and the cool wall damper than the
probe says. RH there = RH here · es(T here) / es(T there). Reckoned, and called so: it takes vapour to be even, which moss
in a hide, a bowl beside it or draught are not. Plain Python: the daemon reads it; `spots` learns.
"""

from __future__ import annotations

import math
import re
from typing import Final, Literal, NamedTuple

from dewkeeper.air import humidity_at, saturation_hpa, vapour_hpa

Spot = Literal["warm_end", "hide", "wall"]
SPOTS: Final[dict[Spot, tuple[str, ...]]] = {
    "hide": ("hide",), "wall": ("wall", "glass", "pane", "lid"), "warm_end": ("warm", "hot", "basking", "mat"),
}  # fmt: skip
"""Words by which a place is known; a hide at the warm end is a hide."""
VENTS: Final = frozenset({"mesh_cover_changed", "holes_changed"})
"""Words of the journal after which more or less air passes."""
COLDEST_C, WARMEST_C = -5.0, 80.0
"""What a surface in an enclosure can have; anything else is a slip of the finger."""
PROBE_PERCENT: Final = 3.0
PROBE_C: Final = 0.4
"""What two sensors of this kind may differ by, %RH and °C (data sheet: ±2 %RH, ±0.3 °C typically; from memory)."""
UNEVEN: Final = 0.1
"""So much more or less vapour than at the probe a place may hold, of all of it. Assumed, no source: where a second probe
is, it is measured."""
THERMOMETER_C: Final = 1.0
"""What a hand-held surface thermometer may be off by. Common practice, no source; on shiny surfaces it is worse."""

_NUMBER: Final = re.compile(r"(-?\d+(?:[.,]\d+)?)(?:\s*°?\s*([cCfF])\b)?")


class Surface(NamedTuple):
    """What a surface thermometer read."""

    spot: Spot
    celsius: float


def surface_of(text: str) -> Surface | None:
    """Return what an entry's words say of a surface: "31.5 hide floor", "warm end, 92 F"; without a unit it is °C.

    None where temperature or place is missing, or no surface can be so warm or cold.
    """
    found, words = _temperature(text), text.casefold()
    spot = next((spot for spot, names in SPOTS.items() if any(name in words for name in names)), None)
    if found is None or spot is None:
        return None
    value = float(found[1].replace(",", "."))
    celsius = (value - 32) / 1.8 if (found[2] or "").casefold() == "f" else value
    return Surface(spot, celsius) if COLDEST_C <= celsius <= WARMEST_C else None


def with_unit(text: str, *, fahrenheit: bool) -> str:
    """Return an entry's words with the unit written out behind the temperature: what it was read in must not be forgotten."""
    found = _temperature(text)
    if found is None:
        return text
    unit = (found[2] or ("F" if fahrenheit else "C")).upper()
    return f"{text[: found.start()]}{found[1].replace(',', '.')} °{unit}{text[found.end() :]}"


def _temperature(text: str) -> re.Match[str] | None:
    """Return the one number that is a temperature: the first with a unit, else the only one there is."""
    found = list(_NUMBER.finditer(text))
    with_units = [one for one in found if one[2]]
    return with_units[0] if with_units else found[0] if len(found) == 1 else None


class Reckoned(NamedTuple):
    """A value, and between what it lies nineteen times in twenty."""

    value: float
    low: float
    high: float


def humidity_there(here_c: float, here_percent: float, above: Reckoned) -> Reckoned:
    """Return %RH at a place that is so many °C warmer than the probe, which reads these °C and this %RH (above 0)."""
    there = here_c + above.value
    value = humidity_at(vapour_hpa(here_c, here_percent), there)
    slope = math.log(saturation_hpa(there + 0.5) / saturation_hpa(there - 0.5))  # of 1 °C
    share = math.hypot(PROBE_PERCENT / here_percent, UNEVEN, slope * math.hypot((above.high - above.low) / 2, PROBE_C))
    return Reckoned(min(100.0, value), min(100.0, value * math.exp(-share)), min(100.0, value * math.exp(share)))


def wall_c(air_c: float, room_c: float, factor: float) -> float:
    """Return the coolest wall's temperature, °C, by the temperature factor of ISO 13788."""
    return room_c + factor * (air_c - room_c)


def factor_at_dew(air_c: float, room_c: float, dew_c: float) -> float:
    """Return the temperature factor below which a wall is wet: that at which it is as cold as the dew point."""
    return (dew_c - room_c) / (air_c - room_c)
