"""Which probes are corrected, since when, on what grounds, and when they are to be checked again."""

from __future__ import annotations

from dataclasses import dataclass

from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.types import Calibration
from dewkeeper.report.wording import Wording
from dewkeeper.sampling.salts import next_check
from dewkeeper_config.models import Config


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """One probe: its calibration in force (None: read as it is), and when the next check is due (None: never checked)."""

    probe: str
    place: str
    calibration: Calibration | None
    due: int | None
    overdue: bool


def checks(calibrations: Calibrations, config: Config, now: int) -> list[ProbeCheck]:
    """Return every configured probe, in the configuration's order."""
    found = []
    for probe in config.probe:
        calibration = calibrations.at(probe.name, now)
        due = None if calibration is None else next_check(calibration.checked)
        place = probe.enclosure or probe.room or ""
        found.append(ProbeCheck(probe.name, place, calibration, due, due is not None and due < now))
    return found


def humidity_words(calibration: Calibration) -> str:
    """Return "+1.5 %", with a gain before it where there is one."""
    gain = "" if calibration.humidity_gain == 1.0 else f"× {calibration.humidity_gain:.3f} "
    return f"{gain}{calibration.humidity_offset_percent:+.1f} %"


def temperature_words(calibration: Calibration, wording: Wording) -> str:
    """Return "-0.2 °C", in the site's unit."""
    offset = calibration.temperature_offset_c * (1.8 if wording.fahrenheit else 1.0)
    return f"{offset:+.1f} {wording.unit}"


def correction_words(calibration: Calibration, wording: Wording) -> str:
    """Return "humidity +1.5 %, temperature -0.2 °C", leaving out what is as read."""
    said = []
    if (calibration.humidity_gain, calibration.humidity_offset_percent) != (1.0, 0.0):
        said.append(f"humidity {humidity_words(calibration)}")
    if calibration.temperature_offset_c:
        said.append(f"temperature {temperature_words(calibration, wording)}")
    return ", ".join(said) or "as read"
