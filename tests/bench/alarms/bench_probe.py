"""What came over the wire: an ideal probe's air made into words with offset, noise, resolution, loss and faults."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from random import Random

from tests.bench.alarms.bench_air import humidity_percent, quick_saturation_hpa
from tests.bench.alarms.bench_loop import Air
from tests.bench.alarms.bench_plan import Fault, TubPlan

READ, EMPTY, CRC, BROWNOUT, BUS, NO_ROW = range(6)
HEATER_ON, RESET_SEEN, CRC_BURST = 1, 2, 4

RECOVERY_MINUTES = 5
"""So long after a fault that made readings unbelievable they are not believed yet, as the judge's documentation says."""

_NOISE_C, _NOISE_PERCENT = 0.013, 0.03  # one sigma, high repeatability (data sheet gives three sigma)


@dataclass(slots=True)
class Wire:
    """One probe's polls. `ideal_c` and `ideal_percent` carry the sensor's offset and nothing else that is wrong.

    good: 1 where a healthy, delivered, unspoilt reading is in the row; 0 elsewhere.
    """

    ideal_c: array[float]
    ideal_percent: array[float]
    state: bytearray
    notes: bytearray
    temperature_word: array[int]
    humidity_word: array[int]
    good: bytearray
    rubbish: list[int] = field(default_factory=list)


def _word(value: float) -> int:
    return min(65535, max(0, round(value)))


def temperature_word(celsius: float) -> int:
    """Return the 16-bit word of a temperature, -45 to 130 °C."""
    return _word((celsius + 45) / 175 * 65535)


def humidity_word(percent: float) -> int:
    """Return the 16-bit word of a humidity, 0 to 100 %RH."""
    return _word(percent / 100 * 65535)


def read_probe(air: Air, offset_c: float, offset_percent: float, chance: Random, noise: float = 1.0) -> Wire:
    """Read healthy air: offset, noise (times that of the data sheet), words."""
    gauss = chance.gauss
    ideal_c = array("d", [t + offset_c for t in air.temperature])
    ideal_percent = array("d", [min(100.0, max(0.0, h + offset_percent)) for h in air.humidity])
    n = len(ideal_c)
    return Wire(
        ideal_c,
        ideal_percent,
        bytearray(n),
        bytearray(n),
        array("H", [temperature_word(t + gauss(0, noise * _NOISE_C)) for t in ideal_c]),
        array("H", [humidity_word(h + gauss(0, noise * _NOISE_PERCENT)) for h in ideal_percent]),
        bytearray(b"\x01" * n),
    )


def spoil(wire: Wire, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    """Lay the plan's faults, lost polls and single rubbish words over healthy readings.

    wires: the healthy wires of the rack by tub, for swapped pairs; their ideal series are read, nothing else.
    """
    for fault in plan.faults:
        _FAULTS[fault.kind](wire, fault, plan, wires, room, chance)
        doubted = 0 if fault.kind in ("missing", "crc", "brownout") else RECOVERY_MINUTES
        for i in range(fault.start, min(fault.end + doubted, len(wire.good))):
            wire.good[i] = 0
    for start, end in plan.lossy:
        for i in range(start, end):
            if chance.random() < 0.35:
                wire.state[i] = EMPTY
                wire.good[i] = 0
    _rubbish(wire, chance)


def _rubbish(wire: Wire, chance: Random) -> None:
    i = chance.randrange(500, 5000)
    while i < len(wire.good) - 5:
        if all(wire.good[i - 2 : i + 3]):
            style = chance.randrange(6)
            if style in (0, 2):
                wire.temperature_word[i] = 0
            if style in (1, 3):
                wire.temperature_word[i] = 65535
            if style in (2, 4):
                wire.humidity_word[i] = 0
            if style in (3, 5):
                wire.humidity_word[i] = 65535
            wire.good[i] = 0
            wire.rubbish.append(i)
        i += chance.randrange(2000, 12000)


def _missing(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    for i in range(fault.start, fault.end):
        wire.state[i] = BUS if fault.style > 0.85 else EMPTY


def _crc(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    """Most replies garbled; of what passes the 8-bit check, one in 256 is noise all the same."""
    share = 0.6 + 0.4 * fault.style
    for i in range(fault.start, fault.end):
        if i == fault.start or chance.random() < share:
            wire.state[i] = CRC
            if chance.random() < 1 / 256:
                wire.state[i] = READ
                wire.notes[i] |= CRC_BURST
                wire.temperature_word[i] = chance.randrange(65536)
                wire.humidity_word[i] = chance.randrange(65536)
        else:
            wire.notes[i] |= CRC_BURST


def _gross(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    words = chance.choice([(0, 0), (65535, 65535), (65535, 0), (0, 65535), (None, 0), (0, None)])
    steady = fault.style < 0.6
    for i in range(fault.start, fault.end):
        if steady or i == fault.start or chance.random() < 0.7:
            if words[0] is not None:
                wire.temperature_word[i] = words[0]
            if words[1] is not None:
                wire.humidity_word[i] = words[1]


def _flat(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    for i in range(fault.start, fault.end):
        wire.temperature_word[i] = wire.temperature_word[fault.start]
        wire.humidity_word[i] = wire.humidity_word[fault.start]


def _saturated(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    """A film of water: a dip by evaporation, humidity pinned near 100 %, a slow way back over the last hour."""
    dip = 0.5 + 1.2 * fault.style
    back = max(fault.start + 30, fault.end - 75)
    for i in range(fault.start, fault.end):
        age = i - fault.start
        celsius = wire.ideal_c[i] - dip * (0.4 + 0.6 * 0.97**age)
        percent = 99.7 + chance.gauss(0, 0.08)
        if age < 2:
            percent = wire.ideal_percent[i] + (percent - wire.ideal_percent[i]) * (0.6 + 0.3 * age)
        elif i > back:
            share = 0.955 ** (i - back)
            percent = wire.ideal_percent[i] + (percent - wire.ideal_percent[i]) * share
            celsius = wire.ideal_c[i] + (celsius - wire.ideal_c[i]) * share
        wire.temperature_word[i] = temperature_word(celsius + chance.gauss(0, _NOISE_C))
        wire.humidity_word[i] = humidity_word(percent)


def _heated(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    """The sensor's own heater: warmer by a few degrees, the same vapour."""
    for i in range(fault.start, fault.end):
        add = (2.5 + 2.5 * fault.style) * (1 - 0.5 ** (i - fault.start + 1))
        vapour = wire.ideal_percent[i] / 100 * quick_saturation_hpa(wire.ideal_c[i])
        celsius = wire.ideal_c[i] + add
        wire.temperature_word[i] = temperature_word(celsius + chance.gauss(0, _NOISE_C))
        percent = humidity_percent(vapour, celsius) + chance.gauss(0, _NOISE_PERCENT)
        wire.humidity_word[i] = humidity_word(percent)
        wire.notes[i] |= HEATER_ON


def _brownout(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    for i in range(fault.start, fault.end):
        dice = chance.random()
        if i == fault.start or dice < 0.25:
            wire.notes[i] |= RESET_SEEN
        elif dice < 0.25 + 0.3 * fault.style:
            wire.state[i] = BROWNOUT


def _displaced(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    """The probe lies on the shelf: the room's air, reached within some minutes."""
    apart = 0.0
    for i in range(fault.start, fault.end):
        share = 0.6 ** (i - fault.start)
        celsius = room.temperature[i] + plan.offset_c
        percent = room.humidity[i] + plan.offset_percent
        if i < fault.start + 60:
            apart += abs(wire.ideal_c[i] - celsius)
        celsius += share * (wire.ideal_c[i] - celsius)
        percent += share * (wire.ideal_percent[i] - percent)
        wire.temperature_word[i] = temperature_word(celsius + chance.gauss(0, _NOISE_C))
        wire.humidity_word[i] = humidity_word(percent + chance.gauss(0, _NOISE_PERCENT))
    fault.scored = apart / 60 > 2.5  # in a room as warm as the tub nothing can tell them apart


def _impossible(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    """A humidity reading fallen below what the room alone would give, at once or over three hours."""
    below = below_seen = 0.0
    span = range(fault.start, fault.start + 120)
    for i in span:
        e_tub = wire.ideal_percent[i] / 100 * quick_saturation_hpa(wire.ideal_c[i])
        e_room = room.humidity[i] / 100 * quick_saturation_hpa(room.temperature[i])
        target = e_room - (3.2 + 2 * fault.style)
        below += 100 * (e_tub - target) / quick_saturation_hpa(wire.ideal_c[i]) / len(span)
    ramp = 1 if fault.style < 0.5 else 180
    for i in range(fault.start, fault.end):
        percent = max(1.0, wire.ideal_percent[i] - below * min(1.0, (i - fault.start + 1) / ramp))
        wire.humidity_word[i] = humidity_word(percent + chance.gauss(0, _NOISE_PERCENT))
        if i < fault.start + 1440:
            e_room = room.humidity[i] / 100 * quick_saturation_hpa(room.temperature[i])
            below_seen += (percent / 100 * quick_saturation_hpa(wire.ideal_c[i]) - e_room) / 1440
    # Twice the joint uncertainty of two probes of ±2 %RH and ±0.3 °C is 2.2 hPa in warm air.
    fault.scored = below_seen < -2.4 and plan.profile != "egg_box"


def _swapped(wire: Wire, fault: Fault, plan: TubPlan, wires: dict[int, Wire], room: Air, chance: Random) -> None:
    assert fault.partner is not None
    other = wires[fault.partner]
    apart = 0.0
    for i in range(fault.start, fault.end):
        if i < fault.start + 360:
            apart += other.ideal_percent[i] - wire.ideal_percent[i]
        wire.temperature_word[i] = temperature_word(other.ideal_c[i] + chance.gauss(0, _NOISE_C))
        wire.humidity_word[i] = humidity_word(other.ideal_percent[i] + chance.gauss(0, _NOISE_PERCENT))
    fault.scored = abs(apart) / 360 > 6


_FAULTS = {
    "missing": _missing, "crc": _crc, "gross_range": _gross, "flat_line": _flat, "saturated": _saturated,
    "sensor_heater": _heated, "brownout": _brownout, "displaced": _displaced, "impossible": _impossible,
    "swapped": _swapped,
}  # fmt: skip
