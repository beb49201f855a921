"""Checking a probe against saturated salts: what the air over them has, and what correction follows.

The humidity over a saturated solution is Greenspan's (J. Res. NBS 81A, 1977, 89-96), by the polynomials that reproduce
the table of OIML R 121 (1996) to 0.1 %RH from 15 to 35 °C; so are the uncertainties (k = 2). Lithium chloride is left
out: R 121 gives no value for it below 25 °C, and it is not for a home with animals.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot
from typing import Final, NamedTuple

CHECK_SECONDS: Final = 183 * 86400
"""A probe in damp air is checked twice a year: common practice, no source."""

LARGEST_PERCENT: Final = 15.0
LARGEST_C: Final = 3.0
"""More is no correction but a broken probe, or another one than was meant (common practice, no source)."""

_LEAST_APART_PERCENT: Final = 20.0
_HYSTERESIS_PERCENT: Final = 0.8
_BEST_PERCENT: Final = 1.0
"""Hysteresis of the SHT3x (its datasheet, December 2022); with it no check is claimed to be better than 1 %RH."""
LOWEST_C, HIGHEST_C = 15.0, 35.0


class Salt(NamedTuple):
    """Polynomial in °C giving %RH, uncertainty in %RH (k = 2), and up to which temperature."""

    words: str
    polynomial: tuple[float, ...]
    uncertainty_percent: float
    highest_c: float = HIGHEST_C

    def humidity_percent(self, temperature_c: float) -> float:
        """Return the humidity of the air over it."""
        return sum(factor * temperature_c**power for power, factor in enumerate(self.polynomial))


SALTS: Final = {
    "MgCl2": Salt("magnesium chloride", (33.6686, -0.00797397, -0.00108988), 0.3),
    "K2CO3": Salt("potassium carbonate", (43.1315, 0.00147523), 0.5, 30.0),
    "NaCl": Salt("sodium chloride, table salt without additives", (75.5164, 0.0398321, -0.00265459, 0.00002848), 0.2),
    "KCl": Salt("potassium chloride", (88.6190, -0.193340, 0.000899706), 0.4),
    "K2SO4": Salt("potassium sulphate", (98.7792, -0.0590502), 0.7),
}

CAUTION: Final = (
    "Salts stay in a closed, labelled jar, never in an enclosure; table salt without additives is the mildest, magnesium"
    " chloride irritates, lithium salts are better left alone. The probe must not touch the solution."
)


class Jar(NamedTuple):
    """What the sensor itself read in one jar, uncorrected, and at what temperature."""

    salt: str
    read_percent: float
    temperature_c: float

    @property
    def reference_percent(self) -> float:
        """What the air in it has, %RH."""
        return SALTS[self.salt].humidity_percent(self.temperature_c)


class Correction(NamedTuple):
    """Humidity = gain x read + offset, and the expanded uncertainty (k = 2) of that, %RH."""

    gain: float
    offset_percent: float
    uncertainty_percent: float


def correction(jars: Sequence[Jar], gain: float = 1.0) -> Correction:
    """Return what follows from one jar (an offset; the gain stays) or two (both). Raises ValueError, saying what is allowed."""
    if len(jars) not in (1, 2):
        raise ValueError("a check has one jar or two")
    for jar in jars:
        _check(jar)
    first, last = min(jars, key=_reference), max(jars, key=_reference)
    if len(jars) == 2:
        if _reference(last) - _reference(first) < _LEAST_APART_PERCENT:
            raise ValueError(
                f"{first.salt} and {last.salt} are too near to each other: take two salts {_LEAST_APART_PERCENT:.0f} %RH apart"
            )
        if last.read_percent <= first.read_percent:
            raise ValueError(
                f"the sensor read no more over {last.salt} than over {first.salt}: were the jars mixed up?"
            )
        gain = (_reference(last) - _reference(first)) / (last.read_percent - first.read_percent)
        if not 0.75 <= gain <= 1.33:
            raise ValueError(
                f"the sensor follows the humidity by a factor of {1 / gain:.2f}: that is no correction, replace it"
            )
    offset = _reference(first) - gain * first.read_percent
    salts = max(SALTS[jar.salt].uncertainty_percent for jar in jars)
    return Correction(gain, offset, max(_BEST_PERCENT, hypot(salts, _HYSTERESIS_PERCENT)))


def next_check(checked: int | None) -> int | None:
    """Return when a probe that was checked then is to be checked again, UTC seconds; None when it never was."""
    return None if checked is None else checked + CHECK_SECONDS


def _reference(jar: Jar) -> float:
    return jar.reference_percent


def _check(jar: Jar) -> None:
    salt = SALTS.get(jar.salt)
    if salt is None:
        raise ValueError(f"no salt {jar.salt!r}; there are: {', '.join(SALTS)}")
    if not LOWEST_C <= jar.temperature_c <= salt.highest_c:
        raise ValueError(
            f"{jar.temperature_c:g} °C: the humidity over {jar.salt} is known from {LOWEST_C:.0f} to {salt.highest_c:.0f} °C"
        )
    if not 0 < jar.read_percent <= 100:
        raise ValueError(f"{jar.read_percent:g} is no humidity: it lies above 0 and up to 100 %RH")
    if abs(jar.read_percent - jar.reference_percent) > LARGEST_PERCENT:
        raise ValueError(
            f"{jar.read_percent:g} %RH over {jar.salt}, whose air has {jar.reference_percent:.1f}: more than"
            f" {LARGEST_PERCENT:.0f} %RH off is no correction, replace the sensor (or leave it in the jar for longer)"
        )
