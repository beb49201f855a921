"""Which probes are corrected, since when, on what grounds, and when they are to be checked again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dewkeeper.judge.calibrating import Calibrations
from dewkeeper.judge.checks.drift import drifted
from dewkeeper.judge.types import Calibration, Fact, Learned, room_place
from dewkeeper.report.wording import Wording
from dewkeeper.sampling.salts import next_check
from dewkeeper_config.models import Config


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """One probe: its calibration in force (None: read as it is), and when the next check is due (None: never checked).

    error: what was learned of what it reads wrong by, None where nothing is known now.
    """

    probe: str
    place: str
    calibration: Calibration | None
    due: int | None
    overdue: bool
    error: Fact | None = None
    of_room: bool = False

    @property
    def compared(self) -> str:
        """Return in sentences what open lids say of it, and what correction that would be; empty where they say nothing."""
        fact = self.error
        if fact is None or fact.value is None or fact.low is None or fact.high is None:
            return ""
        beside = "its enclosures" if self.of_room else "its room"
        by = f"By {fact.decays} openings in {fact.days} days, at which it was compared with {beside}, it"
        ends = f"({fact.low:+.1f} to {fact.high:+.1f})"
        besides = f" {fact.why[:1].upper()}{fact.why[1:]}." if fact.why else ""
        if not drifted(fact):
            return f"{by} has moved by {fact.value:+.1f} %RH {ends}, which is no drift yet.{besides}"
        offset = (self.calibration.humidity_offset_percent if self.calibration else 0.0) - fact.value
        return (
            f"{by} reads {fact.value:+.1f} %RH {ends} against when it was new or last checked. Check it over a salt first; without"
            f" one the correction would be: dewkeeper probes calibrate {self.probe} --humidity-offset {offset:.1f}.{besides}"
        )


def checks(calibrations: Calibrations, config: Config, learned: Mapping[str, Learned], now: int) -> list[ProbeCheck]:
    """Return every configured probe, in the configuration's order. learned: by enclosure, and by room."""
    found = []
    judged = {p.enclosure: p.name for p in reversed(config.probe) if p.role == "substrate" and p.enclosure}
    first = set(judged.values())  # what is learned of an enclosure's probe is of this one
    for probe in config.probe:
        place = probe.enclosure or probe.room or ""
        known = learned.get(room_place(place) if probe.role == "room" else place)
        if probe.role != "room" and probe.name not in first:
            known = None
        calibration = calibrations.at(probe.name, now)
        due = None if calibration is None else next_check(calibration.checked)
        error = None if known is None else known.fact("probe_error_percent", now)
        found.append(
            ProbeCheck(probe.name, place, calibration, due, due is not None and due < now, error, probe.role == "room")
        )
    return found


def humidity_words(calibration: Calibration) -> str:
    """Return "+1.5 %", with a gain before it where there is one."""
    gain = "" if calibration.humidity_gain == 1.0 else f"× {calibration.humidity_gain:.3f} "
    return f"{gain}{calibration.humidity_offset_percent:+.1f} %"


def temperature_words(calibration: Calibration, wording: Wording) -> str:
    """Return "-0.2 °C", in the site's unit."""
    return f"{wording.difference(calibration.temperature_offset_c):+.1f} {wording.unit}"


def correction_words(calibration: Calibration, wording: Wording) -> str:
    """Return "humidity +1.5 %, temperature -0.2 °C", leaving out what is as read."""
    said = []
    if (calibration.humidity_gain, calibration.humidity_offset_percent) != (1.0, 0.0):
        said.append(f"humidity {humidity_words(calibration)}")
    if calibration.temperature_offset_c:
        said.append(f"temperature {temperature_words(calibration, wording)}")
    return ", ".join(said) or "as read"
