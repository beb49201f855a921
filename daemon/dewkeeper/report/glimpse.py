"""The night of every enclosure in few numbers: what the small curves of the overview are drawn from, and their words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from dewkeeper.report.contract import CHANGES
from dewkeeper.report.model import EnclosureMorning, Mark, MorningGlance, NightRow
from dewkeeper.report.order import THERMAL
from dewkeeper.report.past import StoredPast
from dewkeeper.report.wording import Wording, limit_words, measured_by, round_half_up
from dewkeeper.store.quarters import QUARTER_SECONDS
from dewkeeper.store.slices import Slice

_SLICES: Final = 24
"""So many steps a small curve has at most: each is then as wide as a finger's line on a phone."""


@dataclass(frozen=True, slots=True)
class Glimpse:
    """From the night's beginning to now, UTC seconds [start, end): slices of `seconds` by enclosure, oldest first.

    from_: before it nothing was to be watched. until: whole quarter hours are stored up to here. over: it ended long ago.
    changes: enclosure -> when something about it was changed meanwhile.
    """

    start: int
    end: int
    seconds: int
    from_: int
    until: int
    slices: Mapping[str, Sequence[Slice]]
    over: bool = False
    changes: Mapping[str, Sequence[int]] = field(default_factory=dict)


def glimpse(past: StoredPast, glance: MorningGlance) -> Glimpse:
    """Return the night so far, and the hours since, of every enclosure. Raises StoreError."""
    return _between(past, glance.night_start, glance.made_at)


def glimpse_of(past: StoredPast, night_start: int, night_end: int) -> Glimpse:
    """Return a night that is over, of every enclosure. night_start, night_end: UTC seconds. Raises StoreError."""
    return replace(_between(past, night_start, night_end + QUARTER_SECONDS), end=night_end, over=True)


def _between(past: StoredPast, first: int, last: int) -> Glimpse:
    start = -(-first // QUARTER_SECONDS) * QUARTER_SECONDS
    end = max(last, start + QUARTER_SECONDS)
    quarters = -(-(end - start) // (QUARTER_SECONDS * _SLICES))
    slices = past.glimpses(start, end, quarters)
    seconds = quarters * QUARTER_SECONDS
    until = (
        start + max(0, end - start - QUARTER_SECONDS) // seconds * seconds
    )  # the newest quarter hour is stored when it is over
    began = past.in_force().began
    changes: dict[str, list[int]] = {}
    for entry in past.journal(start, words=CHANGES):
        if entry.enclosure is not None and entry.time < end:
            changes.setdefault(entry.enclosure, []).append(entry.time)
    return Glimpse(start, end, seconds, start if began is None else max(start, began), until, slices, changes=changes)


def thermal(row: NightRow) -> bool:
    """Return whether an enclosure's worst trouble is one of temperature: then that is what is shown of it."""
    return bool(row.alarms) and row.alarms[0].kind in THERMAL


def lowest_words(row: NightRow, wording: Wording) -> str:
    """Return "min 46 % 05:12", of heat "max 39.5 °C 03:10", of cold "min 21.0 °C 06:30".

    Of heat and cold that went further since it is called the night's: "night max 30.4 °C 21:05" beside 40.9 °C now.
    """
    if not thermal(row):
        mark, said = row.humidity_min, "min "
        text = wording.humidity(mark.value) if mark else ""
    elif row.alarms[0].kind in ("cold", "heat_lost", "room_frost"):
        mark, said = row.temperature_min, "min "
        text = wording.temperature(mark.value) if mark else ""
    else:
        mark, said = row.temperature_max, "max "
        text = wording.temperature(mark.value) if mark else ""
    if mark is not None and thermal(row) and _went_on(row, mark, said == "max "):
        said = f"night {said}"
    if mark is None and row.temperature_max is not None:
        mark, said = row.temperature_max, "no humidity believed, up to "
        text = wording.temperature(mark.value)
    if mark is None:
        return "nothing measured in the night"
    return f"{said}{text} {wording.clock(mark.at)}{measured_by(row, mark)}"


def _went_on(row: NightRow, mark: Mark, up: bool) -> bool:
    """Return whether the temperature of now lies beyond the night's."""
    if row.now is None or row.now.stale:
        return False
    return row.now.temperature_c > mark.value if up else row.now.temperature_c < mark.value


def referred_words(row: NightRow, wording: Wording) -> str:
    """Return ", 57 % if at 30 °C": the lowest humidity at the day temperature, where the number is another one."""
    referred, lowest = row.humidity_min_at_day_percent, row.humidity_min
    if thermal(row) or referred is None or lowest is None or round_half_up(referred) == round_half_up(lowest.value):
        return ""
    return f", {wording.humidity(referred)} if at {wording.day_temperature(row.limits.day_temperature)}"


def now_words(row: EnclosureMorning, wording: Wording) -> str:
    """Return the value of now beside the limit it is beyond, and the other of the two: "now 46 %, limit 55 %; 28.0 °C"."""
    now, limits, aimed = row.now, row.limits, False
    if now is None and row.warmth_now_c is not None:
        return f"{wording.present} {wording.temperature(row.warmth_now_c)}, no humidity believed"
    if now is None:
        return f"no reliable reading {wording.present}"
    if thermal(row):
        said, value = wording.temperature(now.temperature_c), now.temperature_c
        low, high = limits.temperature_low, limits.temperature_high
        sides = wording.set_temperatures(low, high)
        limit = {low: wording.day_temperature(low), high: wording.day_temperature(high)}
    else:
        said, value = wording.humidity(now.humidity_percent), now.humidity_percent
        low, high = limits.tolerable_low, limits.tolerable_high
        if low <= value <= high and (not row.alarms or row.alarms[0].band == "target"):
            aimed, low, high = True, limits.target_low, limits.target_high
        sides = f"{round_half_up(low)}–{wording.humidity(high)}"
        limit = {low: wording.humidity(low), high: wording.humidity(high)}
    beside = wording.humidity(now.humidity_percent) if thermal(row) else wording.temperature(now.temperature_c)
    who = measured_by(row, now)
    if now.stale:
        return f"{wording.clock(now.at)} {said}, {beside}{who} (stale)"
    if low <= value <= high and not row.alarms:
        return f"{wording.present} {said}, {beside}{who}"
    if low <= value <= high:
        against = f"in {sides}"
    elif deadly := _danger_words(row, wording):
        against = deadly
    else:
        against = f"target {sides}" if aimed else f"limit {limit[low if value < low else high]}"
    return f"{wording.present} {said}{who}, {against}; {beside}"


def _danger_words(row: EnclosureMorning, wording: Wording) -> str:
    """Return "danger 38 °C" where it is as hot as that, as its message says it; "" anywhere else."""
    worst = row.alarms[0] if row.alarms else None
    if worst is None or worst.limit is None or not worst.danger:
        return ""
    return limit_words(worst.kind, worst.band, worst.limit, wording, danger=True)


def change_words(percent: float, wording: Wording) -> str:
    """Return "+3 %", "−4 %", or "no change" where it rounds to nothing."""
    whole = round_half_up(percent)
    if whole == 0:
        return "no change"
    return f"{'+' if whole > 0 else '−'}{abs(whole)}{wording.space}%"
