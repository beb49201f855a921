"""Heaters and their thermostats, written for this suite alone: three heat nodes, several kinds of control, what breaks.

A heater (mat, cable or panel) warms the floor and walls, these warm the air, and the whole loses its heat to the room. The
thermostat's sensor lags behind the air, so that the period of an on/off control follows from its hysteresis, its lag and the
masses: from a few minutes to more than an hour. A proportional control does not swing at all, be it by dimming, with a slow
integral part, or by pulses of some minutes; some enclosures nothing controls, and they follow their room. Some heaters are
far too strong for their tub. Temperatures are °C, times minutes.
"""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass, field
from random import Random
from typing import Final, Literal

from tests.bench.alarms.bench_air import DAY, quick_saturation_hpa

Control = Literal["switched", "proportional", "dimmed", "pulsed", "none"]
Scene = Literal["calm", "stuck on", "stuck off", "heat wave", "power cut"]
SCENES: Final[tuple[Scene, ...]] = ("calm", "stuck on", "stuck off", "heat wave", "power cut")
EVENT_FROM: Final = 4 * DAY
"""Nothing breaks before: a heater is known from its days before that."""
_SHELVES: Final = 6


@dataclass(frozen=True, slots=True)
class Trouble:
    """What happens to a tub from `start` to `end`: open, mist, stuck (size: share of full power), off."""

    start: int
    end: int
    what: Literal["open", "mist", "stuck", "off"]
    size: float = 1.0


@dataclass(slots=True)
class Heater:
    """One tub's heat. full_rise_c: how far above its room it would come at full power. hysteresis_c 0: proportional.

    steady_rise_c: what it is above its room where nothing controls it.
    """

    name: str
    set_c: float
    night_set_c: float
    hysteresis_c: float
    full_rise_c: float
    power_minutes: float
    mass_minutes: float
    air_minutes: float
    sensor_minutes: float
    rest_percent: float
    offset_c: float
    spans: list[Trouble] = field(default_factory=list)
    control: Control = "switched"
    pulse_minutes: int = 1
    steady_rise_c: float = 0.0


@dataclass(slots=True)
class Case:
    """A rack of heaters in one room, `days` long."""

    scene: Scene
    seed: int
    room_probe: bool
    days: int
    heaters: list[Heater]
    room_c: array[float]
    room_hpa: array[float]

    def broken(self) -> dict[str, Trouble]:
        """Return what broke in which tub."""
        return {heater.name: span for heater in self.heaters for span in heater.spans if span.what in ("stuck", "off")}

    @property
    def tub_years(self) -> float:
        """How much it counts for."""
        return len(self.heaters) * self.days / 365.25


_CONTROLS: Final = (
    ("quick", (0.1, 0.25), (14, 30), (3, 8), (1, 2)), ("usual", (0.3, 0.6), (25, 60), (5, 12), (2, 5)),
    ("slow", (0.4, 0.9), (50, 120), (8, 20), (3, 6)), ("proportional", (0.0, 0.0), (20, 90), (5, 15), (1, 5)),
)  # fmt: skip
"""Name, hysteresis °C, minutes of floor and walls, of the air, of the thermostat's sensor."""


def draw(scene: Scene, seed: int, *, room_probe: bool) -> Case:
    """Draw a rack of six heaters, a room and what happens."""
    chance = Random(f"heaters/{scene}/{seed}/{room_probe}")
    days = 28 if scene == "calm" else 9 if scene == "heat wave" else 6
    minutes = days * DAY
    start = EVENT_FROM + chance.randrange(DAY)
    event = (start, min(minutes, start + chance.randrange(60, 12 * 60)))
    mean_c = chance.uniform(19, 23)
    room_c, room_hpa = _room(scene, event, mean_c, minutes, chance)
    heaters = [_heater(i, mean_c, chance) for i in range(_SHELVES)]
    for heater in heaters:
        _control(heater, mean_c, Random(f"control/{scene}/{seed}/{room_probe}/{heater.name}"))
    for heater in heaters:
        heater.spans = _deeds(minutes, scene == "calm", chance)
    for heater in (
        chance.sample(heaters, 3) if scene in ("stuck on", "stuck off") else heaters if scene == "power cut" else []
    ):
        if scene != "power cut":
            start = EVENT_FROM + chance.randrange(DAY)
            event = (start, start + chance.randrange(60, 12 * 60))
        heater.spans = [s for s in heater.spans if s.end < start - 180]
        if scene == "stuck on":
            # Mended ten hours later; with enough power to be dangerous, or nothing comes of it.
            heater.spans.append(Trouble(start, start + 600, "stuck"))
            heater.full_rise_c = max(heater.full_rise_c, 1.5 * (heater.set_c - mean_c), 40.0 - mean_c)
        else:
            heater.spans.append(Trouble(*event, "off"))
    return Case(scene, seed, room_probe, days, heaters, room_c, room_hpa)


def _heater(number: int, mean_c: float, chance: Random) -> Heater:
    _, hysteresis, mass, air, sensor = _CONTROLS[number % len(_CONTROLS)]
    degrees = chance.uniform(*hysteresis)
    set_c = chance.uniform(28, 30.5) - degrees  # what swings wide is set lower, to stay within what is tolerable
    return Heater(
        f"T{number + 1:02d}", set_c, set_c - chance.choice((0.0, 0.0, 2.0, 3.0)), degrees,
        chance.uniform(1.4, 2.6) * (set_c - mean_c), chance.uniform(1, 6), chance.uniform(*mass), chance.uniform(*air),
        chance.uniform(*sensor), chance.uniform(58, 72), chance.uniform(-0.3, 0.3),
    )  # fmt: skip


def _control(heater: Heater, mean_c: float, chance: Random) -> None:
    """Choose how it is controlled: half of those without hysteresis by dimming or by pulses, a few by nothing, one in five stronger than it need be."""
    if heater.hysteresis_c == 0:
        heater.control = chance.choice(("proportional", "proportional", "dimmed", "pulsed"))
        heater.pulse_minutes = chance.randrange(4, 11)
    elif chance.random() < 0.12:
        heater.control, heater.hysteresis_c = "none", 0.0
        heater.steady_rise_c = heater.set_c - mean_c
        heater.night_set_c = heater.set_c
    if chance.random() < 0.2:
        heater.full_rise_c *= 1.3


def _deeds(minutes: int, weekly: bool, chance: Random) -> list[Trouble]:
    """Misted most evenings by some keepers, opened twice a week for some minutes, once for a clean-out."""
    found, mister = [], chance.random() < 0.4
    for day in range(minutes // DAY):
        if mister and chance.random() < 0.7:
            at = day * DAY + chance.randrange(1020, 1260)
            found.append(Trouble(at, at + 1, "mist"))
        if chance.random() < 0.25:
            at = day * DAY + chance.randrange(500, 1300)
            lasts = chance.randrange(20, 60) if weekly and chance.random() < 0.3 else chance.randrange(2, 10)
            found.append(Trouble(at, at + lasts, "open"))
    return found


def _room(
    scene: Scene, event: tuple[int, int], mean_c: float, minutes: int, chance: Random
) -> tuple[array[float], array[float]]:
    """Return the room's °C and hPa for every minute; a wave makes its days up to ten degrees warmer, a power cut cools it."""
    gauss = chance.gauss
    swing, wave_c = chance.uniform(0.5, 2.0), chance.uniform(6, 13)
    front, draught, cooled = gauss(0, 1), 0.0, 0.0
    base_hpa = chance.uniform(8, 13)
    warm, wet = array("d"), array("d")
    for minute in range(minutes):
        if minute % 60 == 0:
            front = 0.98 * front + 0.2 * gauss(0, 1)
        draught = 0.95 * draught + gauss(0, 0.025)
        day = math.sin(2 * math.pi * (minute / DAY - 0.4))
        celsius = mean_c + swing * day + 0.6 * front + draught
        if scene == "heat wave" and minute >= EVENT_FROM:
            grown = min(1.0, (minute - EVENT_FROM) / (2 * DAY))
            celsius += wave_c * grown * (0.6 + 0.4 * day)
        outside = scene == "power cut" and event[0] <= minute < event[1]
        cooled += ((4.0 if outside else 0.0) - cooled) / 240
        warm.append(celsius - cooled)
        wet.append(max(3.0, base_hpa + 0.8 * front + 0.3 * day))
    return warm, wet


def _share(heater: Heater, lacks_c: float, learnt: float) -> tuple[float, float]:
    """Return the share of full power, and what a dimmer has integrated so far."""
    if heater.control == "none":
        return min(1.0, heater.steady_rise_c / heater.full_rise_c), learnt
    if heater.control == "dimmed":
        learnt = min(1.0, max(0.0, learnt + 0.001 * lacks_c))
        return min(1.0, max(0.0, learnt + 0.3 * lacks_c)), learnt
    return min(1.0, max(0.0, (lacks_c + 0.6) / 1.2)), learnt


def air_of(heater: Heater, case: Case, chance: Random) -> tuple[array[float], array[float]]:
    """Return temperature, °C, and humidity, %RH, as the probe in this tub reads them, every minute."""
    gauss, room = chance.gauss, case.room_c
    power = heater.set_c - room[0]
    mass = air = sensed = shown = heater.set_c
    rest = heater.rest_percent / 100 * quick_saturation_hpa(heater.set_c)
    vapour, film, snake, snake_goal = rest, 0.0, 0.0, 0.0
    on, share, learnt, pulse = False, 0.0, (heater.set_c - room[0]) / heater.full_rise_c, 0
    spans, at = sorted(heater.spans, key=lambda span: span.start), 0
    running: list[Trouble] = []
    warm, wet = array("d"), array("d")
    for minute in range(len(room)):
        while at < len(spans) and spans[at].start <= minute:
            running.append(spans[at])
            at += 1
        running = [span for span in running if span.end > minute]
        what = {span.what: span.size for span in running}
        wanted = heater.set_c if 480 <= minute % DAY < 1230 else heater.night_set_c
        sensed += (air - sensed) / heater.sensor_minutes
        if "off" in what:
            drive = 0.0
        elif "stuck" in what:
            drive = heater.full_rise_c * what["stuck"]
        elif heater.hysteresis_c:
            on = sensed < wanted + (heater.hysteresis_c if on else -heater.hysteresis_c)
            drive = heater.full_rise_c if on else 0.0
        else:
            if minute % heater.pulse_minutes == 0 or heater.control != "pulsed":
                share, learnt = _share(heater, wanted - sensed, learnt)
                pulse = minute
            on = minute - pulse < share * heater.pulse_minutes
            drive = heater.full_rise_c * (on if heater.control == "pulsed" else share)
        power += (drive - power) / heater.power_minutes
        mass += (room[minute] + power - mass) / heater.mass_minutes
        air += (mass - air) / heater.air_minutes
        vapour += (rest - vapour) / 150 + (case.room_hpa[minute] - vapour) / 1500
        if "open" in what:
            air += (room[minute] - air) / 8
            vapour += (case.room_hpa[minute] - vapour) / 6
        film = max(0.0, film - 0.012) + (1.0 if "mist" in what else 0.0)
        if film:
            vapour += 0.08 * (0.95 * quick_saturation_hpa(air) - vapour)
            air -= 0.02
        vapour = min(vapour, 0.98 * quick_saturation_hpa(air))
        if minute % 97 == 0:
            snake_goal = 0.5 if chance.random() < 0.2 else 0.0
        snake += (snake_goal - snake) / 12
        shown += (air + snake + heater.offset_c - shown) * 0.7
        warm.append(shown + gauss(0, 0.02))
        wet.append(min(100.0, max(1.0, 100 * vapour / quick_saturation_hpa(shown) + gauss(0, 0.05))))
    return warm, wet
