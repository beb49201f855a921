"""What the air says happened: an opening, heat that stopped; and what only looks like it."""

from __future__ import annotations

import math

from tests.judge.judge_desk import Desk, rack

from dewkeeper.air import humidity_at, vapour_hpa
from dewkeeper_config.profiles import BUILT_IN

ROOM = ("air", 22.0, 45.0)
_TOP = 27 * 60  # minutes: a day later, and the top of the swing


def _swing(minute: int) -> float:
    """Return the temperature of a coarse thermostat, °C: 2.4 °C up and down in 80 min."""
    return 28.5 + 1.2 * math.sin(2 * math.pi * minute / 80)


def _hatchlings() -> Desk:
    """Return a tub of hatchlings, told of after 45 min below 60 %, after a day under a coarse thermostat."""
    desk = Desk(rack(limits=BUILT_IN["hatchling"].limits, room=True))
    desk.hold(_TOP, t=_swing, h=lambda m: humidity_at(28.0, _swing(m)), others=[ROOM])
    return desk


def test_a_vent_forced_open_under_a_coarse_thermostat_is_told_on_time() -> None:
    """Vapour falls within minutes while the thermostat lets it cool, no cooler than every hour: no opening, told after 45 min."""
    desk = _hatchlings()
    began = desk.now
    desk.hold(
        2 * 60, t=lambda m: _swing(_TOP + m),
        h=lambda m: humidity_at(20.5 + 7.5 * math.exp(-m / 4), _swing(_TOP + m)), others=[ROOM],
    )  # fmt: skip
    told = next(e for e in desk.events if e.kind == "dry" and e.event == "raised" and e.band == "tolerable")
    assert told.time - began <= (45 + 10) * 60


def test_an_opening_under_a_coarse_thermostat_is_no_alarm_for_an_hour() -> None:
    """The same fall, but it cools as no thermostat lets it: somebody opened, and nothing is told in the first hour."""
    desk = _hatchlings()

    def t(m: int) -> float:
        return _swing(_TOP + m) - 6 * math.exp(-m / 20) * (1 - math.exp(-m / 3))

    desk.hold(
        56, t=t, h=lambda m: humidity_at(28.0 - 9 * math.exp(-m / 120) * (1 - math.exp(-m / 2)), t(m)), others=[ROOM]
    )
    assert desk.told() == []


def _warm(desk: Desk) -> None:
    desk.hold(12 * 60, t=28.5, h=72.0, others=[ROOM])


def test_two_fogs_within_the_hour_are_no_lost_heat() -> None:
    """Fog cools the air by five degrees, twice; between them most of its warmth is back: heat is not lost."""
    desk = Desk(rack(room=True))
    _warm(desk)
    for _ in range(2):
        desk.hold(
            45, t=lambda m: 26.4 - 3.0 * math.exp(-m / 14), h=lambda m: 78 + 18 * math.exp(-m / 14), others=[ROOM]
        )
    assert "heat_lost" not in [e.kind for e in desk.events]


def test_heat_that_stops_after_a_fog_is_told() -> None:
    """Fog, and then it does not warm again but cools towards its room: `heat_lost` within two hours."""
    desk = Desk(rack(room=True))
    _warm(desk)
    began = desk.now
    vapour = vapour_hpa(28.5, 72.0)

    def t(m: int) -> float:
        return 22.3 + 6.2 * math.exp(-m / 60) - 1.5 * math.exp(-m / 14)

    desk.hold(
        4 * 60, t=t, h=lambda m: min(95.0, humidity_at(vapour * (0.8 + 0.2 * math.exp(-m / 90)), t(m))), others=[ROOM]
    )
    told = next(e for e in desk.events if e.kind == "heat_lost")
    assert told.time - began <= 2 * 3600


WARM_ROOM = ("air", 24.7, 64.0)


def _beside_a_warm_room(t: float, percent_at_room: float, minutes: int) -> Desk:
    """Return a moist tub 4 °C above its room that from one minute to the next reads other air, for some minutes, then its own."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, t=28.7, h=76.0, others=[WARM_ROOM])
    vapour = vapour_hpa(24.7, percent_at_room)
    desk.hold(
        minutes, t=lambda m: t + (28.7 - t) * math.exp(-m / 3), noise=0.03, others=[WARM_ROOM],
        h=lambda m: humidity_at(vapour + (30.0 - vapour) * math.exp(-m / 3), t + (28.7 - t) * math.exp(-m / 3)),
    )  # fmt: skip
    desk.hold(60, t=28.7, h=70.0, others=[WARM_ROOM])
    return desk


def test_a_probe_that_fell_out_beside_a_warm_moist_room_is_displaced_within_the_hour() -> None:
    """The room's air to a tenth of a degree for 55 min: `displaced`, nothing else."""
    events = _beside_a_warm_room(24.8, 64.5, 55).events
    assert [e.kind for e in events if e.event == "raised"] == ["displaced"]


def test_a_probe_that_fell_out_in_the_heat_of_the_day_is_displaced_not_dry() -> None:
    """The room is nearer to the tub than usual, and only the vapour was still far from it: `displaced`, and `dry` is not told."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, t=30.2, h=70.0, others=[("air", 25.5, 50.0)])
    desk.hold(4 * 60, t=30.2, h=70.0, others=[("air", 27.4, 45.0)])
    desk.hold(2 * 60, t=27.5, h=45.4, others=[("air", 27.4, 45.0)])
    assert [e.kind for e in desk.events if e.event == "raised"] == ["displaced"]


def test_a_vent_forced_open_in_the_heat_of_the_day_is_dry() -> None:
    """The same day, the vapour falls to the room's, but the tub stays as warm as it was: `dry`, an hour later."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, t=30.2, h=70.0, others=[("air", 25.5, 50.0)])
    desk.hold(4 * 60, t=30.2, h=70.0, others=[("air", 27.4, 45.0)])
    began = desk.now
    desk.hold(2 * 60, t=29.9, h=lambda m: 40 + 30 * math.exp(-m / 5), others=[("air", 27.4, 45.0)])
    told = [e for e in desk.events if e.event == "raised"]
    assert [e.kind for e in told] == ["dry"]
    assert told[0].time - began <= 3600 + 10 * 60


def _misted_beside_a_moist_room() -> Desk:
    """Return a tub that was misted four hours ago, its film just gone, its thermostat at the top of its swing."""
    desk = Desk(rack(room=True))
    desk.hold(_TOP, t=_swing, h=lambda m: humidity_at(27.0, _swing(m)), others=[WARM_ROOM])
    desk.hold(
        240,
        t=lambda m: _swing(_TOP + m),
        h=lambda m: humidity_at(35 - 8 * math.exp(-m / 8), _swing(_TOP + m)),
        others=[WARM_ROOM],
    )
    return desk


def test_a_film_that_has_dried_off_is_no_open_lid() -> None:
    """The vapour falls within minutes, but to what is usual here, while the heater rests for long: no `lid_open`."""
    desk = _misted_beside_a_moist_room()
    desk.hold(
        90,
        t=lambda m: 29.7 - m / 20,
        h=lambda m: humidity_at(26.2 + 8.8 * math.exp(-m / 8), 29.7 - m / 20),
        others=[WARM_ROOM],
    )
    assert "lid_open" not in [e.kind for e in desk.events]


def test_a_lid_left_open_after_a_misting_is_told() -> None:
    """The same, but the vapour falls to little more than the room's: `lid_open`."""
    desk = _misted_beside_a_moist_room()
    desk.hold(
        90,
        t=lambda m: 29.7 - m / 20,
        h=lambda m: humidity_at(21.0 + 14.0 * math.exp(-m / 8), 29.7 - m / 20),
        others=[WARM_ROOM],
    )
    assert "lid_open" in [e.kind for e in desk.events]


def test_a_lid_opened_after_a_snake_left_its_probe_is_open_since_then() -> None:
    """A snake leaves its probe and the vapour falls half its way to the room's; forty minutes later the lid is off for fifteen: no `lid_open`."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, t=28.0, h=62.0, others=[ROOM])
    desk.hold(4 * 60, t=28.8, h=lambda m: 76 - 14 * math.exp(-m / 20), others=[ROOM])
    desk.hold(40, t=lambda m: 28 + 0.8 * math.exp(-m / 5), h=lambda m: 62 + 14 * math.exp(-m / 3), others=[ROOM])
    desk.hold(15, t=lambda m: 28 - 0.05 * m, h=lambda m: 36 + 26 * math.exp(-m / 2), others=[ROOM])
    desk.hold(90, t=lambda m: 28 - 0.7 * math.exp(-m / 15), h=lambda m: 62 - 26 * math.exp(-m / 20), others=[ROOM])
    assert "lid_open" not in [e.kind for e in desk.events]


def test_a_lid_left_open_after_a_snake_left_its_probe_is_told() -> None:
    """The same, but nobody puts the lid back: `lid_open` within the hour."""
    desk = Desk(rack(room=True))
    desk.hold(12 * 60, t=28.0, h=62.0, others=[ROOM])
    desk.hold(4 * 60, t=28.8, h=lambda m: 76 - 14 * math.exp(-m / 20), others=[ROOM])
    desk.hold(40, t=lambda m: 28 + 0.8 * math.exp(-m / 5), h=lambda m: 62 + 14 * math.exp(-m / 3), others=[ROOM])
    desk.hold(
        60, t=lambda m: 26 + 2 * math.exp(-m / 15), h=lambda m: humidity_at(14.0 + 9.4 * math.exp(-m / 3), 26 + 2 * math.exp(-m / 15)),
        others=[ROOM],
    )  # fmt: skip
    assert "lid_open" in [e.kind for e in desk.events]
